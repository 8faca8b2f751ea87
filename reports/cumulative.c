/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/cumulative.h"

static const size_t points_most = 2000;

void cumulative_fill(struct curve *curve, const double *sorted_s, size_t count)
{
    size_t answered_count = count;

    while (answered_count && isinf(sorted_s[answered_count - 1]))
        answered_count--;
    const size_t stride = answered_count / points_most + 1;

    curve->missing_count = count - answered_count;
    for (size_t i = 0; i < answered_count; i++) {
        if (i % stride && i + 1 < answered_count)
            continue;
        struct point *point = rows_add(&curve->points);

        point->x = sorted_s[i];
        point->y = (double) (i + 1) / (double) count;
    }
}
