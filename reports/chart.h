/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHART_H
#define REPORTS_CHART_H

#include "reports/charts.h"
#include "reports/drawing.h"

/* What the charts have in common; one file a chart. */
#define CHART_WIDTH      760
#define CHART_MARGIN     24
#define CHART_TITLE_SIZE 15
#define CHART_SMALL_SIZE 12
#define CHART_TEXT_SIZE  13

/* Charts of one sort in one report: beyond, the figures are in the tables. */
#define CHARTS_MOST 40

struct chart_writer {
    const struct reduction *reduction;
    const char *folder;
    struct rows *files;
};

/* Draws it, and notes the file. */
int chart_write(struct chart_writer *writer, const struct chart_file *file,
                double height, drawing_fn *draw, const void *chart,
                struct fault *fault);

void chart_title(cairo_t *page, const char *title);
/* A patch of the band's colour and what it stands for, below the title. */
void chart_band_key(cairo_t *page, double x, const char *what);
/* Of two numbers; NaN is never the larger one. */
double chart_larger(double a, double b);
/* The largest x or y of the curve's points. */
double chart_curve_most(const struct curve *curve, bool is_x);

/* That measure of what the curve shows; NULL: none. */
const struct finding *chart_finding(const struct reduction *reduction,
                                    const struct curve *curve,
                                    const char *measure);

/* Expected and measured goodput of every step and direction. */
int chart_steps(struct chart_writer *writer, struct fault *fault);
/* Each download's goodput over time. */
int chart_times(struct chart_writer *writer, struct fault *fault);
/* Each step's round trips, and its messages' confirmations: the share of all
 * within a time. */
int chart_delays(struct chart_writer *writer, struct fault *fault);
/* Which probes were answered, along time. */
int chart_answers(struct chart_writer *writer, struct fault *fault);
/* Where the expected goodput went. */
int chart_shortfalls(struct chart_writer *writer, struct fault *fault);
/* How the stations shared the link. */
int chart_shares(struct chart_writer *writer, struct fault *fault);

#endif
