/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_EXPECT_H
#define REPORTS_TIMING_EXPECT_H

#include "reports/crossings.h"

/*
 * What a probe of that exchange and its reply should take on a channel that has
 * nothing else to carry; unsaid where that is not known, or not so.
 */
struct timing_expected {
    struct round_trip trip;
    struct range floors_s[WAYS_OF_TWO]; /* the least of each way */
};

/* of an exchange beside others: floors that hold whatever else runs. */
struct timing_expected timing_expect(const struct reduction *reduction,
                                     const struct exchange_record *exchange);

#endif
