/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOUBTS_WEAKEN_H
#define REPORTS_DOUBTS_WEAKEN_H

#include "reports/reduction.h"

/*
 * What doubts take away.  Where a computer slept, where traffic went round the
 * radio, or where the practice link did not keep time, no verdict stands: it
 * becomes "undecided", with the reason.  A shortfall of a download that is
 * doubted for something else keeps its sentence, which says so.  Last of all.
 */
void doubts_weaken(struct reduction *reduction);

/* Fewer samples than planned, as a doubt. */
void doubts_add_counts(struct reduction *reduction);

#endif
