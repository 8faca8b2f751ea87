/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_TELLING_H
#define CONTROLLER_TELLING_H

#include "controller/display.h"
#include "controller/orders.h"

/*
 * The few words that the progress display says of a finished exchange.  A
 * first look only: findings are the reducer's.
 */

/* accounts: of exchange->parts, in that order; NULL where there is none. */
enum display_tone telling_of(const struct ordered_exchange *exchange,
                             const struct exchange_account *const *accounts,
                             char *ret_text, size_t size);

/*
 * The live figure of an exchange that is under way: done is what the agent says
 * it has done so far, elapsed_ns the time since the start.  "" when the kind
 * has none.
 */
void telling_live(const struct exchange_order *order, uint64_t done,
                  uint64_t elapsed_ns, char *ret_text, size_t size);

#endif
