/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHANGE_POINTS_H
#define REPORTS_CHANGE_POINTS_H

#include "reports/statistics.h"

/*
 * Steps in the level of a long record: where, from what to what.
 *
 * The cut of least cost is found exactly: the sum of squares within the pieces
 * plus a penalty of 2 s^2 ln n a change (a change costs a level and a place),
 * by optimal partitioning with the pruning of Killick et al. (2012).  s comes
 * from the spread of neighbours' differences, which steps hardly touch.  Values
 * that hang together make false changes: pass batch means, or give how often
 * the penalty shall count (1: independent values).
 */
struct change_point {
    size_t at; /* values before it: index (from 0) of the first value after */
    struct estimate before, after; /* levels of the pieces on both sides */
};

#define CHANGE_POINTS_MOST 16

struct change_points {
    struct change_point points[CHANGE_POINTS_MOST]; /* in order of time */
    size_t count; /* found; only the first ones stand in points */
    double sd;    /* s */
    double penalty;
    double cost; /* sum of squares and penalties */
};

/* The median of neighbours' differences, as a standard deviation (1.4826 MAD /
 * sqrt 2); NaN for fewer than 3. */
double change_points_sd(const double *values, size_t count);

struct change_points change_points_find(const double *values, size_t count,
                                        double penalty_factor, double level);

/*
 * Pettitt's rank test (1979) of one change of level: where ranks differ most,
 * and the (approximate) probability when there is none.
 */
struct pettitt {
    size_t at; /* as above */
    double k, probability;
};
struct pettitt change_points_pettitt(const double *values, size_t count);

#endif
