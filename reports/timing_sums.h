/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_SUMS_H
#define REPORTS_TIMING_SUMS_H

#include "reports/losses.h"
#include "reports/one_way.h"

/*
 * What is kept of a timing exchange (struct value_record), and what it adds up
 * to: of one exchange, or of the same one in all rounds.
 */
struct share_sum {
    double hits_count, count;
};

/* Of one way. */
struct way_sum {
    struct rows above_s;  /* of double, sorted: beyond the quickest, of those
                             that arrived */
    struct rows delays_s; /* the same one way, of all sent: lost last */
    struct losses losses;
    struct share_sum overtaken, repeated; /* of those that arrived */
    struct range least_s;                 /* of the quickest; unsaid: unknown */
    double doubt_s;   /* what its middle may be off, in the worst round */
    bool has_unknown; /* of a round no delay one way is known */
};

struct timing_sum {
    struct way_sum ways[WAYS_OF_TWO];
    struct rows trips_s; /* of double, sorted: of all sent, lost last */
    struct losses unanswered;
};

/* What else is kept of it (struct value_record.what): timing_offsets.c. */
#define TIMING_OFFSET (-1)

/* From one exchange to the values that are put together. */
void timing_keep(struct reduction *reduction, size_t exchange,
                 const struct crossings *crossings,
                 const struct one_way *delays);

/* The caller clears. */
void timing_sum(const struct reduction *reduction, size_t exchange,
                bool is_all_rounds, struct timing_sum *ret_sum);
void timing_sum_clear(struct timing_sum *sum);

#endif
