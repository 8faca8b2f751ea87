/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_STATISTICS_H
#define REPORTS_STATISTICS_H

#include <stddef.h>
#include <stdint.h>

/*
 * Estimates with intervals.  NaN stands for "none": a mean of nothing, an
 * interval from one value.  GSL's error handler, which would end the program,
 * is switched off by whoever calls first (statistics_prepare()).
 */
struct estimate {
    double value, low, high; /* NaN: none */
};

#define CONFIDENCE_LEVEL 0.95

void statistics_prepare(void);

double statistics_mean(const double *values, size_t count);
/* n - 1 in the denominator; NaN for fewer than two. */
double statistics_sd(const double *values, size_t count);
/* Lag-1 autocorrelation with one mean and one denominator (NIST StRD); NaN for
 * constant or too few values. */
double statistics_lag1(const double *values, size_t count);

/* The quantile of Student's t. */
double statistics_t(double probability, double degrees);

/* mean +- t s / sqrt(n); no interval for fewer than two values. */
struct estimate statistics_mean_interval(const double *values, size_t count,
                                         double level);

/* Wilson's score interval of a share (Newcombe 1998, method 3); NaN where
 * there is nothing to share. */
struct estimate statistics_wilson(uint64_t hits, uint64_t count, double level);

/* The same for counts that are worth fewer than they are. */
struct estimate statistics_wilson_of(double hits, double count, double level);
/* How many independent values so many are worth whose neighbours correlate so:
 * n (1 - r1) / (1 + r1), of a first-order autoregression. */
double statistics_effective_count(double count, double lag1);

/* A mean with its standard error and the degrees of freedom behind it. */
struct mean_error {
    double mean, error, degrees;
};

/* above / below by the delta method on logarithms, with the degrees of freedom
 * of Welch and Satterthwaite at the ratio found. */
struct estimate statistics_ratio(const struct mean_error *above,
                                 const struct mean_error *below, double level);

#endif
