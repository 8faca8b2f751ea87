/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pixel_columns.h"

#include <math.h>

static size_t place_of(double x, double span)
{
    const double place = span > 0 ? x / span * PIXEL_COLUMNS_MOST : 0;

    return place <= 0                        ? 0
           : place >= PIXEL_COLUMNS_MOST - 1 ? PIXEL_COLUMNS_MOST - 1
                                             : (size_t) place;
}

void pixel_columns_add(struct rows *columns, double x, double span,
                       double value)
{
    const size_t place = place_of(x, span);
    struct pixel_column *column =
        columns->count ? rows_at(columns, columns->count - 1) : NULL;

    if (!column || column->place < place) {
        column = rows_add(columns);
        *column = (struct pixel_column){ .place = place,
                                         .least = (double) NAN,
                                         .most = (double) NAN };
    }
    column->count++;
    column->missing_count += isnan(value) != 0;
    /* A NaN loses against any number. */
    column->least = fmin(column->least, value);
    column->most = fmax(column->most, value);
}

double pixel_columns_x(const struct pixel_column *column, double span)
{
    return ((double) column->place + 0.5) * span / PIXEL_COLUMNS_MOST;
}
