/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/percentile.h"

void percentile_set(struct finding *finding, const double *sorted, size_t count,
                    double share, double level, const char *what)
{
    const size_t least = quantile_least_count(share, CONFIDENCE_LEVEL);

    finding->samples_count = count;
    if (count < least) {
        finding_set_why(finding, "needs %zu %s, there are %zu", least, what,
                        count);
        return;
    }
    const struct estimate estimate =
        quantile_estimate(sorted, count, share, level);

    finding_set(finding, &estimate, count);
}
