/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_ARRIVAL_ORDER_H
#define REPORTS_ARRIVAL_ORDER_H

#include <bothends/rows.h>
#include <stdint.h>

/*
 * Packets overtaken on the way (RFC 4737): one is reordered when a later one,
 * by the sender's numbers, has arrived before it; losses alone reorder nothing.
 * Of each number the first copy alone counts, and is added once.
 *
 * A zeroed struct with highest.row_size = sizeof(uint64_t) is an empty one.
 */
struct arrival_order {
    struct rows highest; /* of uint64_t: the largest number up to each */
    uint64_t reordered_count;
    uint64_t most_extent; /* the worst came behind so many others */
};

/* The next that arrived.  0: in order; else its extent (section 4.2.3): how
 * many arrivals ago the first one with a larger number came. */
uint64_t arrival_order_add(struct arrival_order *order, uint64_t sequence);
void arrival_order_clear(struct arrival_order *order);

/*
 * Packets that came more than once (RFC 5560).
 */
struct copies {
    uint64_t packet_count;   /* different ones that came */
    uint64_t repeated_count; /* of those: more than once */
    uint64_t further_count;  /* copies beyond the first */
};

/* One packet, that came so many times; 0: not at all, which is a loss. */
void copies_add(struct copies *copies, uint64_t count);
/* Sections 5.1 and 5.2; NaN where none came. */
double copies_fraction(const struct copies *copies);
double copies_repeated_ratio(const struct copies *copies);

#endif
