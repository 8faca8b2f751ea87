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

/* In seconds; unsaid: nothing can be said, as of messages beside others, of
 * two stations, or of so many messages that they fill half of the channel.
 * is_back: those of the exchange's second end. */
struct range confirmation_median_s(const struct reduction *reduction,
                                   const struct exchange_record *exchange,
                                   bool is_back);

/* Less is better: meets within what is expected as the plan has it, short
 * beyond; exceeds, if even the least that could be is above it. */
void confirmation_judge(struct finding *finding, struct range expected_s,
                        const char *source);

#endif
