/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_ARRIVALS_H
#define REPORTS_ARRIVALS_H

#include <bothends/rows.h>
#include <stdbool.h>
#include <stdint.h>

/*
 * Content that arrived, as a growing sum over time.  Between two arrivals the
 * later one's bytes are taken to have come in evenly: they were on the air
 * then.  So a span from arrival a to arrival b counts the bytes after a up to
 * b, and spans of whole cycles do not swing by a segment.
 */
struct arrivals {
    uint64_t *at_ns;   /* in order; equal times are merged */
    double *sum_bytes; /* up to and with that arrival */
    size_t count;
    size_t room;
    size_t stride; /* arrivals that the record takes as one */
    size_t merged; /* arrivals in the latest entry */
};

/*
 * A record has at most so many entries: of longer ones first every two, then
 * every four arrivals ... are taken as one, evenly over the record, so that
 * memory stays bounded.  The first and the last arrival stay as they are.
 */
#define ARRIVALS_MOST ((size_t) 1 << 19)

/* An empty record, and one more arrival, not before the latest one.  */
void arrivals_open(struct arrivals *arrivals);
void arrivals_add(struct arrivals *arrivals, uint64_t at_ns, uint64_t bytes);

/* From rows of struct download_arrival of any order. */
void arrivals_init(struct arrivals *arrivals, const struct rows *rows);
void arrivals_clear(struct arrivals *arrivals);

/* How many arrived at or before that time. */
size_t arrivals_until(const struct arrivals *arrivals, uint64_t at_ns);

/* Bytes by that time, between the first and the last arrival. */
double arrivals_bytes_by(const struct arrivals *arrivals, uint64_t at_ns);

/* The rates (bit/s) of count intervals from from_ns on; the caller frees. */
double *arrivals_rates_bps(const struct arrivals *arrivals, uint64_t from_ns,
                           double interval_ns, size_t count);

#endif
