/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_STEADINESS_H
#define REPORTS_STEADINESS_H

#include "reports/reduction.h"

#include <bothends/looks.h>
#include <bothends/steady.h>

/*
 * The steady level of a record of whole cycles (bothends/steady.h has the rule)
 * as the reducer's figures, and what an exchange that ran "until" says of its
 * end.
 */

/* No interval where something lacks. */
struct estimate steadiness_estimate(const struct steady *steady, double level);

/* Why there is no steady level; "" where there is one. */
void steadiness_why(const struct steady *steady, char *ret_why, size_t size);

/* The level for the interval of an exchange: 95 %, or that of the last look,
 * so that 95 % holds over all of them. */
double steadiness_level(const struct looks_outcome *looks);

/* A sentence on how it was decided that the exchange ends; nothing where it did
 * not run "until".  figure: what was to be known. */
void steadiness_add_end(struct reduction *reduction,
                        const struct exchange_record *exchange,
                        const struct looks_outcome *looks, double within_ratio,
                        const char *figure);

#endif
