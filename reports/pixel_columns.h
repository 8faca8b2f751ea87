/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PIXEL_COLUMNS_H
#define REPORTS_PIXEL_COLUMNS_H

#include <bothends/rows.h>
#include <stdint.h>

/*
 * A long series made small enough for a chart, extremes and all: the chart is
 * so many columns of pixels wide, and of the values that fall on one, the least
 * and the most are kept, and how many are missing.  Samples come in the order
 * of time; columns without any are left out.
 */
#define PIXEL_COLUMNS_MOST 680

struct pixel_column {
    size_t place;       /* 0 .. PIXEL_COLUMNS_MOST - 1 */
    double least, most; /* NaN: all are missing */
    uint64_t count, missing_count;
};

/* To rows of struct pixel_column: a value (NaN: missing) at x of a chart from 0
 * to span. */
void pixel_columns_add(struct rows *columns, double x, double span,
                       double value);

/* Where the middle of that column lies. */
double pixel_columns_x(const struct pixel_column *column, double span);

#endif
