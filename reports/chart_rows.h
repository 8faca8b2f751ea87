/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHART_ROWS_H
#define REPORTS_CHART_ROWS_H

#include "reports/chart.h"

/*
 * A chart of findings, one a row: its way on the left, the figure on the right,
 * and between them whatever the chart draws at its height; the steps are
 * headings.
 */
struct chart_rows {
    const struct rows *table; /* of struct finding, by step */
    const char *axis;         /* with the unit */
    double unit;              /* of the axis */
    int most_decimals;        /* of the figures */
    bool tells_shared;        /* which of them had the link not alone */
    void (*draw)(cairo_t *page, const struct plot *plot, double y,
                 const struct rows *table, size_t row);
};

#define CHART_ROWS_TOP 78

/* The largest value, end of an interval or expectation. */
double chart_rows_most(const struct rows *table);
double chart_rows_height(const struct rows *table);
void chart_rows_draw(cairo_t *page, const struct chart_rows *rows);

#endif
