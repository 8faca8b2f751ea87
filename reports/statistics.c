/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/statistics.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

void statistics_prepare(void)
{
    (void) gsl_set_error_handler_off();
}

double statistics_mean(const double *values, size_t count)
{
    return count ? gsl_stats_mean(values, 1, count) : (double) NAN;
}

double statistics_sd(const double *values, size_t count)
{
    return count > 1 ? gsl_stats_sd(values, 1, count) : (double) NAN;
}

double statistics_lag1(const double *values, size_t count)
{
    double mean;
    double sum = 0;

    if (count < 2)
        return (double) NAN;
    mean = gsl_stats_mean(values, 1, count);
    for (size_t i = 0; i < count; i++)
        sum += fabs(values[i] - mean);
    if (!(sum > 0))
        return (double) NAN;
    return gsl_stats_lag1_autocorrelation_m(values, 1, count, mean);
}

double statistics_t(double probability, double degrees)
{
    return degrees > 0 ? gsl_cdf_tdist_Pinv(probability, degrees)
                       : (double) NAN;
}

struct estimate statistics_mean_interval(const double *values, size_t count,
                                         double level)
{
    const double mean = statistics_mean(values, count);
    const double half =
        count > 1 ? statistics_t((1 + level) / 2, (double) count - 1)
                        * statistics_sd(values, count) / sqrt((double) count)
                  : (double) NAN;

    return (struct estimate){ mean, mean - half, mean + half };
}

struct estimate statistics_wilson_of(double hits, double count, double level)
{
    const double x = hits;
    const double n = count;
    const double z = gsl_cdf_ugaussian_Pinv((1 + level) / 2);

    if (!(n > 0) || !(x >= 0) || x > n)
        return (struct estimate){ (double) NAN, (double) NAN, (double) NAN };
    const double root = z * sqrt(z * z + 4 * x * (1 - x / n));
    const double below = 2 * (n + z * z);

    return (struct estimate){
        .value = x / n,
        /* Exactly 0 and 1 at the ends, where rounding would miss them. */
        .low = x > 0 ? (2 * x + z * z - root) / below : 0,
        .high = x < n ? (2 * x + z * z + root) / below : 1,
    };
}

struct estimate statistics_wilson(uint64_t hits, uint64_t count, double level)
{
    return statistics_wilson_of((double) hits, (double) count, level);
}

double statistics_effective_count(double count, double lag1)
{
    return count * (1 - lag1) / (1 + lag1);
}

struct estimate statistics_ratio(const struct mean_error *above,
                                 const struct mean_error *below, double level)
{
    struct estimate ratio = { (double) NAN, (double) NAN, (double) NAN };

    if (!(above->mean > 0) || !(below->mean > 0))
        return ratio;
    ratio.value = above->mean / below->mean;
    const double above_part = above->error * above->error;
    const double below_part =
        ratio.value * ratio.value * below->error * below->error;
    const double sum = above_part + below_part;
    const double degrees =
        sum > 0 ? sum * sum
                      / (above_part * above_part / above->degrees
                         + below_part * below_part / below->degrees)
                : above->degrees + below->degrees;
    const double log_error =
        hypot(above->error / above->mean, below->error / below->mean);
    const double reach = statistics_t((1 + level) / 2, degrees) * log_error;

    ratio.low = ratio.value * exp(-reach);
    ratio.high = ratio.value * exp(reach);
    return ratio;
}
