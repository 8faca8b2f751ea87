/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REPEATS_H
#define REPORTS_REPEATS_H

#include "reports/reduction.h"

/*
 * Exchanges of one place in the plan and one step, in all rounds, linked in
 * the order of time.  repeats_link() once, when all exchanges are loaded; where
 * a group has several of one kind between the same ends, it numbers them in
 * their conditions ("... (1 of 2)"), so that each keeps its name when rounds
 * are put together.
 */
void repeats_link(struct reduction *reduction);

/* Is this the first of them? */
bool repeats_is_first(const struct reduction *reduction, size_t exchange);
/* The next one; the count of all exchanges after the last. */
size_t repeats_next(const struct reduction *reduction, size_t exchange);

/* Called with each value of that exchange; where is_all_rounds, also with those
 * of the exchanges after it that are the same. */
typedef void repeats_value_fn(void *owner, const struct value_record *value);
void repeats_each_value(const struct reduction *reduction, size_t exchange,
                        bool is_all_rounds, repeats_value_fn *on_value,
                        void *owner);

/* --- what was measured beside ----------------------------------------------
 */

/* Of the round, the step and the two ends, whichever way: for a lookup, whose
 * finds repeats_are_beside() confirms. */
uint64_t repeats_key_beside(const struct exchange_record *exchange);
bool repeats_are_beside(const struct exchange_record *a,
                        const struct exchange_record *b);

#endif
