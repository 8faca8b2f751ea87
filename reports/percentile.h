/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PERCENTILE_H
#define REPORTS_PERCENTILE_H

#include "reports/quantiles.h"
#include "reports/reduction.h"

/* A percentile of sorted values with its interval; of too few of them, why not:
 * "needs 36 probes, there are 12", of what. */
void percentile_set(struct finding *finding, const double *sorted, size_t count,
                    double share, double level, const char *what);

#endif
