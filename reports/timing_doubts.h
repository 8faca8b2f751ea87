/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_DOUBTS_H
#define REPORTS_TIMING_DOUBTS_H

#include "reports/one_way.h"

/* What speaks against a timing exchange's figures, and what its clocks did. */
void timing_add_doubts(struct reduction *reduction,
                       const struct exchange_record *exchange,
                       const struct one_way *delays);

/* That the reflector's account is not there, and how it is done without. */
void timing_tell_near(struct reduction *reduction,
                      const struct exchange_record *exchange,
                      const struct crossings *crossings);

#endif
