/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOUBTS_WAYS_H
#define REPORTS_DOUBTS_WAYS_H

#include "reports/contact_record.h"
#include "reports/reduction.h"

/*
 * Did the traffic cross the radio?  Signs that it did not are doubts; one
 * proof, or two of the others, are enough to say so.
 */

/* One exchange against those before it, which stand in contact->ways. */
void ways_weigh(struct reduction *reduction, struct contact_records *contact,
                struct exchange_record *exchange);
/* What no echo of that ping can be quicker than, where none alone on the link
 * is quicker than least_s: one that joins a transmission under way does without
 * the overhead of its own. */
double ways_least_echo_s(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         double least_s);
/* After all of them. */
void ways_pass_on(struct reduction *reduction);

#endif
