/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHART_PANELS_H
#define REPORTS_CHART_PANELS_H

#include "reports/chart.h"

/*
 * A chart of plots one above the other, on one axis of time: the rounds of a
 * download, downloads that ran at once, pings.  CURVE_RATE is drawn as goodput
 * with its expectation and its gaps, CURVE_ANSWERS as round trips, or
 * delays one way, with the losses above them.
 */
#define PANELS_MOST 8

struct panel {
    const struct curve *curve;
    char label[200]; /* clean; "" where the title says it all */
};

struct panels_chart {
    struct panel panels[PANELS_MOST];
    size_t count;
    size_t left_out_count; /* panels that found no room */
    char title[240];       /* clean */
};

/* Where there is room; label may hold anything. */
void chart_panels_add(struct panels_chart *chart, const struct curve *curve,
                      const char *label);
int chart_panels_write(struct chart_writer *writer,
                       const struct panels_chart *chart, enum chart_place place,
                       const char *name, struct fault *fault);

#endif
