/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REASONS_H
#define REPORTS_REASONS_H

#include "reports/foreign.h"

/*
 * What takes a verdict away.  Each doubt takes what it speaks against: where
 * the way or the time is in doubt, both verdicts; what can only have made the
 * link look worse, "short"; what left a part of it out, "meets". DEVELOPERS.md,
 * "What doubts take away", has the table.
 * False: nothing takes that verdict (enum verdict) away; else the gravest
 * reason as a finding's "why".
 */
bool reasons_against(const struct reduction *reduction,
                     const struct exchange_record *exchange, int verdict,
                     char *ret_why, size_t size);

/* --- what the doubts are told by ------------------------------------------ */

/* By how much the wall clock was set meanwhile; 0: it was not. */
double reasons_clock_set_ns(const struct exchange_account *account);
/* IP bytes in the silence before the start that are not ours; 0: none worth a
 * word. */
double reasons_quiet_bytes(const struct exchange_account *account);
/* Other traffic worth a word. */
bool reasons_has_foreign(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const struct account_record *account,
                         struct foreign *ret_foreign);

/* What was planned, and how much of it there is. */
struct planned {
    double wanted, got;
    const char *what; /* "probes" ... */
};
/* Clearly fewer than planned. */
bool reasons_has_fewer(const struct exchange_record *exchange,
                       struct planned *ret_planned);

#endif
