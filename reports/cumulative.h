/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CUMULATIVE_H
#define REPORTS_CUMULATIVE_H

#include "reports/reduction.h"

/* The curve of the share of all that took a time or less, from the sorted
 * times (s), those that never came back (infinite) last.  Of millions it keeps
 * a point in so many, finer than a chart's pixels, and the last one. */
void cumulative_fill(struct curve *curve, const double *sorted_s, size_t count);

#endif
