/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_EXPECT_H
#define REPORTS_TIMING_EXPECT_H

#include "reports/crossings.h"

/*
 * What a probe of that exchange and its reply should take on a channel that has
 * nothing else to carry; unsaid where that is not known, or not so.
 */
struct timing_expected {
    struct round_trip trip;            /* unsaid where others ran beside it */
    struct range least_s[WAYS_OF_TWO]; /* of each way; the same */
    double floor_s; /* less than that neither way can take, whatever runs: a
                       packet may find its end transmitting already */
};

/* Of a plan's step; 0: not known. */
double timing_floor_s(const struct reduction *reduction,
                      const struct exchange_record *exchange, size_t step);

struct timing_expected timing_expect(const struct reduction *reduction,
                                     const struct exchange_record *exchange);

#endif
