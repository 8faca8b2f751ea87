/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_BATCHES_H
#define REPORTS_BATCHES_H

#include "reports/statistics.h"

#include <stdbool.h>

/*
 * The steady level of a record of equal intervals: the warm-up is cut off by
 * MSER-5, and the interval comes from batch means, because neighbouring
 * intervals are not independent.
 */

/*
 * MSER (White 1997; White, Cobb and Spratt 2000): values are averaged in
 * batches; the cut is where the kept batches' variance, divided by their number
 * once more, is least, within the first half.
 */
struct mser {
    size_t batch_count; /* whole batches */
    size_t cut_batches; /* dropped from the front */
    double least;       /* the criterion there; NaN: nothing to cut */
    bool is_settled;    /* false: the least lies at half of the record, so no
                           steady state was found */
};
struct mser mser_cut(const double *values, size_t count, size_t batch_length);

#define MSER_BATCH_LENGTH 5
#define BATCHES_LEAST     10
#define BATCHES_FIRST     20

/* Batch means and what they say. */
struct batch_means {
    size_t batch_length, batch_count;
    size_t left_over; /* values at the end that fill no batch: dropped */
    double lag1;      /* between batch means; NaN: constant */
    double error;     /* standard error of the mean; NaN: fewer than two */
    struct estimate estimate;
};
struct batch_means batch_means_of(const double *values, size_t count,
                                  size_t batch_length, double level);

/*
 * About 20 batches first; the batches are doubled while neighbours are
 * correlated (|r1| >= 2/sqrt k) and at least 10 remain.  Fewer than 10 values
 * give no interval.
 */
struct batch_means batch_means_uncorrelated(const double *values, size_t count,
                                            double level);

#endif
