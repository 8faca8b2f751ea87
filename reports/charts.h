/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHARTS_H
#define REPORTS_CHARTS_H

#include "reports/reduction.h"

/* A chart that was written, for the report. */
struct chart_file {
    char name[64];   /* "charts/goodput-by-step", without .svg and .png */
    char title[240]; /* says the finding; also the alternative text */
    enum chart_place {
        CHART_SUMMARY,
        CHART_OVER_TIME,
        CHART_ROUND_TRIPS,
        CHART_ANSWERS,
        CHART_CONFIRMATIONS,
        CHART_ONE_WAY,
        CHART_ONE_WAY_LOSSES,
        CHART_SHORTFALL,
        CHART_SHARES
    } place;
};

/* Into charts/ of that folder, which must exist; adds rows of struct
 * chart_file. */
int charts_write(const struct reduction *reduction, const char *folder,
                 struct rows *files, struct fault *fault);

#endif
