/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_USES_MEASURED_H
#define REPORTS_USES_MEASURED_H

#include "reports/reduction.h"
#include "reports/uses.h"

/*
 * What was measured on a step, alone on the link, as far as it says what the
 * step is good for: one choice for the report and the newsletter.  Round trips
 * are those of small echoes to the farthest landmark that was pinged (the own
 * radio's say nothing of the link).  A range holds the intervals of all ways
 * that were measured.
 */
void uses_measured(const struct reduction *reduction, const char *step,
                   struct uses_figures *ret_figures);

/* Does a download say how much it carries? */
bool uses_has_rate(const struct uses_figures *figures);

/* Without a rate short delays alone do not carry a call. */
void uses_judge_measured(const struct uses_figures *figures,
                         struct use ret_uses[USE_COUNT]);

#endif
