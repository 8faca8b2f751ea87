/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_SHORTFALL_SAYS_H
#define REPORTS_SHORTFALL_SAYS_H

#include "reports/shortfall.h"
#include "reports/shortfall_evidence.h"

/* The sentence on what dominates, and what to try next. */
void shortfall_say(const struct reduction *reduction,
                   const struct evidence *evidence,
                   struct shortfall *shortfall);

#endif
