/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_ANSWERS_H
#define REPORTS_ANSWERS_H

#include "reports/reduction.h"

/* The next probe of CURVE_ANSWERS: when it was sent, and what it took
 * (INFINITY: lost; NaN: it came, and nobody knows how soon). */
void answers_add(struct curve *curve, double at_s, double took_s);

/* Two records put together: runs of losses end where a record does. */
void answers_join(struct answer_counts *all, const struct answer_counts *more);

#endif
