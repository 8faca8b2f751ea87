/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/comparison.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

static double *allocate(size_t count)
{
    double *values = calloc(count ? count : 1, sizeof(*values));

    if (!values)
        abort();
    return values;
}

/* --- Welch ---------------------------------------------------------------- */

static struct mean_error level_of(const double *values, size_t count)
{
    return (struct mean_error){
        .mean = statistics_mean(values, count),
        .error = count ? statistics_sd(values, count) / sqrt((double) count)
                       : (double) NAN,
        .degrees = (double) count - 1,
    };
}

static double two_sided(double t, double degrees)
{
    return 2 * gsl_cdf_tdist_Q(fabs(t), degrees);
}

struct welch comparison_welch_of(const struct mean_error *a,
                                 const struct mean_error *b, double level)
{
    const double a_part = a->error * a->error;
    const double b_part = b->error * b->error;
    const double sum = a_part + b_part;
    struct welch welch = {
        .difference = { a->mean - b->mean, (double) NAN, (double) NAN },
        .t = (double) NAN,
        .degrees = (double) NAN,
        .probability = (double) NAN,
    };

    if (!(sum > 0) || !(a->degrees > 0) || !(b->degrees > 0))
        return welch;
    welch.t = welch.difference.value / sqrt(sum);
    welch.degrees =
        sum * sum
        / (a_part * a_part / a->degrees + b_part * b_part / b->degrees);
    welch.probability = two_sided(welch.t, welch.degrees);
    const double reach =
        statistics_t((1 + level) / 2, welch.degrees) * sqrt(sum);

    welch.difference.low = welch.difference.value - reach;
    welch.difference.high = welch.difference.value + reach;
    return welch;
}

struct welch comparison_welch(const double *a, size_t a_count, const double *b,
                              size_t b_count, double level)
{
    const struct mean_error a_level = level_of(a, a_count);
    const struct mean_error b_level = level_of(b, b_count);

    return comparison_welch_of(&a_level, &b_level, level);
}

/* --- two one-sided tests -------------------------------------------------- */

double comparison_equivalence(double difference, double error, double degrees,
                              double margin)
{
    if (!(error >= 0) || !(degrees > 0) || !(margin > 0))
        return (double) NAN;
    /* Nothing varied: it is the same or it is not. */
    if (!(error > 0))
        return fabs(difference) < margin ? 0 : 1;
    const double above =
        gsl_cdf_tdist_Q((difference + margin) / error, degrees);
    const double below =
        gsl_cdf_tdist_P((difference - margin) / error, degrees);

    return above > below ? above : below;
}

double comparison_ratio_equivalence(double log_ratio, double error,
                                    double degrees, double margin_ratio)
{
    return comparison_equivalence(log_ratio, error, degrees,
                                  log1p(margin_ratio));
}

/* --- rounds --------------------------------------------------------------- */

static enum change change_of(const struct rounds_gain *gain, double level)
{
    const bool is_different = gain->ratio.low > 1 || gain->ratio.high < 1;
    const bool is_same = gain->same < 1 - level;

    if (gain->pair_count < ROUNDS_FOR_A_CLAIM)
        return CHANGE_NOT_CLAIMED;
    if (is_different)
        return is_same ? CHANGE_SMALL : CHANGE_SHOWN;
    return is_same ? CHANGE_NONE : CHANGE_UNDECIDED;
}

struct rounds_gain comparison_rounds(const double *after, const double *before,
                                     size_t pair_count, double level,
                                     double margin_ratio)
{
    double *logs = allocate(pair_count);
    struct rounds_gain gain = { .pair_count = pair_count };

    for (size_t i = 0; i < pair_count; i++)
        logs[i] = after[i] > 0 && before[i] > 0 ? log(after[i] / before[i])
                                                : (double) NAN;
    const struct estimate mean =
        statistics_mean_interval(logs, pair_count, level);
    const struct mean_error error = level_of(logs, pair_count);

    free(logs);
    gain.ratio =
        (struct estimate){ exp(mean.value), exp(mean.low), exp(mean.high) };
    gain.t = error.mean / error.error;
    gain.probability = two_sided(gain.t, error.degrees);
    gain.same = comparison_ratio_equivalence(error.mean, error.error,
                                             error.degrees, margin_ratio);
    gain.change = change_of(&gain, level);
    return gain;
}
