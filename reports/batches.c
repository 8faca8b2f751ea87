/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/batches.h"

#include <math.h>
#include <stdlib.h>

static const double rounding_ratio = 1e-9;

static double *means_of(const double *values, size_t batch_count,
                        size_t batch_length)
{
    double *means = calloc(batch_count ? batch_count : 1, sizeof(*means));

    if (!means)
        abort();
    for (size_t i = 0; i < batch_count; i++)
        means[i] = statistics_mean(values + i * batch_length, batch_length);
    return means;
}

struct mser mser_cut(const double *values, size_t count, size_t batch_length)
{
    const size_t batches = batch_length ? count / batch_length : 0;
    struct mser mser = { .batch_count = batches, .least = (double) NAN };
    double *means = means_of(values, batches, batch_length);
    double mean = 0;
    double squares = 0;

    /* From the end to the front, so that mean and squares of what is kept grow
     * by one batch a time (Welford). */
    for (size_t i = batches; i-- > 0;) {
        const double kept = (double) (batches - i);
        const double difference = means[i] - mean;

        mean += difference / kept;
        squares += difference * (means[i] - mean);
        /* What rounding leaves of a constant record is no variation. */
        const double noise = mean * rounding_ratio;
        const double criterion =
            squares <= kept * noise * noise ? 0 : squares / kept / kept;

        /* <=: the first of equal ones drops least. */
        if (i <= batches / 2
            && (isnan(mser.least) || criterion <= mser.least)) {
            mser.least = criterion;
            mser.cut_batches = i;
        }
    }
    free(means);
    mser.is_settled = batches > 1 && mser.cut_batches < batches / 2;
    return mser;
}

struct batch_means batch_means_of(const double *values, size_t count,
                                  size_t batch_length, double level)
{
    const size_t batches = batch_length ? count / batch_length : 0;
    double *means = means_of(values, batches, batch_length);
    const struct batch_means result = {
        .batch_length = batch_length,
        .batch_count = batches,
        .left_over = count - batches * batch_length,
        .lag1 = statistics_lag1(means, batches),
        .error = statistics_sd(means, batches) / sqrt((double) batches),
        .estimate = statistics_mean_interval(means, batches, level),
    };

    free(means);
    return result;
}

static bool is_correlated(const struct batch_means *means)
{
    return fabs(means->lag1) >= 2 / sqrt((double) means->batch_count);
}

struct batch_means batch_means_uncorrelated(const double *values, size_t count,
                                            double level)
{
    size_t length = count / BATCHES_FIRST ? count / BATCHES_FIRST : 1;
    struct batch_means means = batch_means_of(values, count, length, level);

    while (is_correlated(&means) && count / (2 * length) >= BATCHES_LEAST) {
        length *= 2;
        means = batch_means_of(values, count, length, level);
    }
    if (means.batch_count < BATCHES_LEAST)
        means.estimate.low = means.estimate.high = (double) NAN;
    return means;
}
