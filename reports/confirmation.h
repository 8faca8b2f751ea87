/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CONFIRMATION_H
#define REPORTS_CONFIRMATION_H

#include "reports/reduction.h"

/*
 * How soon half of an exchange's messages should be confirmed, where nothing
 * else runs: a message waits for its end's moment, crosses, and its
 * confirmation crosses back when the other end's moment comes; what the
 * messages themselves fill of the channel makes the waits longer.
 * DEVELOPERS.md, "Expected confirmation".
 */

struct confirmation {
    struct range median_s;
    double least_s; /* no message of the plan's is confirmed sooner */
};

/* The median is unsaid where nothing can be said, as of messages beside others,
 * of two stations, or of so many messages that they fill half of the channel.
 * is_back: those of the exchange's second end. */
struct confirmation confirmation_expect(const struct reduction *reduction,
                                        const struct exchange_record *exchange,
                                        bool is_back);

/* Less is better: meets up to the median's high end as the plan has it, short
 * beyond; exceeds where most came sooner than any can. */
void confirmation_judge(struct finding *finding,
                        const struct confirmation *expected,
                        const char *source);

#endif
