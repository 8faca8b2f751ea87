/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHART_SETS_H
#define REPORTS_CHART_SETS_H

#include "reports/chart.h"

/* Which curves share a chart. */

/* Did both begin in the same moment of the run, on the same step? */
bool chart_is_together(const struct reduction *reduction, size_t a, size_t b);
/* How many exchanges ran in that moment, itself included. */
size_t chart_count_together(const struct reduction *reduction, size_t exchange);

/* "stroll, round 2: " and so on; "" for what is not said. */
struct chart_names {
    const char *step;
    const char *from, *to;   /* NULL: several */
    const char *condition;   /* what ran beside it; idle: nothing is said */
    uint64_t together_count; /* above 1: so many at once, instead of that */
};
/* "stroll, quay → mill, beside 2 × ping"; not clean. */
void chart_name(const struct chart_names *names, char *ret_text, size_t size);

#endif
