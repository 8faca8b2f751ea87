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

#endif
