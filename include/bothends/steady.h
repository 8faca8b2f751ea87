/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_STEADY_H
#define BOTHENDS_STEADY_H

#include <float.h>
#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The steady level of a record of equal intervals (whole access cycles), and
 * when a record is long enough.  The reducer and an agent that measures "until
 * within 5 %" follow the same rule, so it stands here: plain arithmetic, no
 * library, no memory of its own.
 */

/* --- Student's t ---------------------------------------------------------- */

/* P(|T| <= t) for whole degrees of freedom: the finite series of Abramowitz and
 * Stegun, 26.7.3 and 26.7.4. */
static inline double steady_t_within(double t, size_t degrees)
{
    const double angle = atan(t / sqrt((double) degrees));
    const double cosine = cos(angle);
    double term = degrees % 2 ? cosine : 1;
    double sum = 0;

    for (size_t i = degrees % 2 ? 3 : 2; i <= degrees; i += 2) {
        sum += term;
        term *= cosine * cosine * (double) (i - 1) / (double) i;
    }
    return degrees % 2 ? 2 * (angle + sin(angle) * sum) / acos(-1)
                       : sin(angle) * sum;
}

/* The t within which lies that share; NaN where there is none. */
static inline double steady_t(double level, size_t degrees)
{
    double low = 0;
    double high = 1e9;

    if (!degrees || !(level >= 0 && level < 1))
        return (double) NAN;
    /* On the logarithm first, for high may be far off. */
    for (int i = 0; i < 200 && high - low > DBL_EPSILON * high; i++) {
        const double middle = low > 0 ? sqrt(low * high) : high / 1024;

        if (steady_t_within(middle, degrees) < level)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2;
}

/* Variation of less than this share of the mean is none. */
#define STEADY_ROUNDING 1e-9

/* --- batch means ---------------------------------------------------------- */

struct steady_batches {
    size_t batch_length, batch_count;
    size_t left_over; /* values at the end that fill no batch: dropped */
    double mean;
    double error; /* standard error of the mean; NaN: fewer than two */
    double lag1;  /* between batch means; NaN: constant */
};

static inline double steady_batch_mean(const double *values, size_t batch,
                                       size_t batch_length)
{
    double sum = 0;

    for (size_t i = 0; i < batch_length; i++)
        sum += values[batch * batch_length + i];
    return sum / (double) batch_length;
}

static inline struct steady_batches
steady_batches_of(const double *values, size_t count, size_t batch_length)
{
    const size_t batches = batch_length ? count / batch_length : 0;
    const double n = (double) batches;
    struct steady_batches found = {
        .batch_length = batch_length,
        .batch_count = batches,
        .left_over = count - batches * batch_length,
        .mean = (double) NAN,
        .error = (double) NAN,
        .lag1 = (double) NAN,
    };
    double sum = 0;
    double squares = 0;
    double products = 0;
    double before = 0;

    for (size_t i = 0; i < batches; i++)
        sum += steady_batch_mean(values, i, batch_length);
    if (batches)
        found.mean = sum / n;
    for (size_t i = 0; i < batches; i++) {
        const double off =
            steady_batch_mean(values, i, batch_length) - found.mean;

        squares += off * off;
        products += off * before;
        before = off;
    }
    if (batches > 1) {
        found.error = sqrt(squares / (n - 1) / n);
        found.lag1 = squares > 0 ? products / squares : (double) NAN;
    }
    return found;
}

/* --- the warm-up ---------------------------------------------------------- */

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

#define MSER_BATCH_LENGTH 5

static inline struct mser mser_cut(const double *values, size_t count,
                                   size_t batch_length)
{
    const size_t batches = batch_length ? count / batch_length : 0;
    struct mser mser = { .batch_count = batches, .least = (double) NAN };
    double mean = 0;
    double squares = 0;

    /* From the end to the front, so that mean and squares of what is kept grow
     * by one batch a time (Welford). */
    for (size_t i = batches; i-- > 0;) {
        const double kept = (double) (batches - i);
        const double value = steady_batch_mean(values, i, batch_length);
        const double difference = value - mean;

        mean += difference / kept;
        squares += difference * (value - mean);
        /* What rounding leaves of a constant record is no variation. */
        const double noise = mean * STEADY_ROUNDING;
        const double criterion =
            squares <= kept * noise * noise ? 0 : squares / kept / kept;

        /* <=: the first of equal ones drops least. */
        if (i <= batches / 2
            && (isnan(mser.least) || criterion <= mser.least)) {
            mser.least = criterion;
            mser.cut_batches = i;
        }
    }
    mser.is_settled = batches > 1 && mser.cut_batches < batches / 2;
    return mser;
}

/* --- the level ------------------------------------------------------------ */

/*
 * The least lengths, and the batches.  About 16 batches first; they are doubled
 * while neighbours hang together and at least 10 remain.
 */
#define STEADY_CYCLES_LEAST  30
#define STEADY_BATCHES_LEAST 10
#define STEADY_BATCHES_FIRST 16
/* Neighbouring batch means hang together from |r1| = this / sqrt(batches) on.
 */
#define STEADY_CORRELATED 2.0
/* Neighbours that hang together more than this say nothing for sure, and
 * neither does a record of fewer correlation times. */
#define STEADY_LAG1_MOST   0.5
#define STEADY_TIMES_LEAST 15.0
/* What is cut must differ from what is kept by so many standard errors: a cut
 * by variance alone takes the quietest part of a steady record, and its
 * interval comes out too narrow (tests/bench/coverage). */
#define STEADY_WARM_UP_ERRORS 5.0
/* ... or the error of the mean must fall below this share of that of all. */
#define STEADY_WARM_UP_RESTLESS 0.6

enum steady_lack {
    STEADY_ENOUGH,
    STEADY_SHORT,           /* fewer whole cycles than needed */
    STEADY_UNSETTLED,       /* still changing half-way */
    STEADY_SHORT_AFTER_CUT, /* too few left after the warm-up */
    STEADY_SLOW,            /* it swings more slowly than the record is long */
};

struct steady {
    enum steady_lack lack;
    size_t count, cut_count; /* cycles; of them dropped as warm-up */
    struct steady_batches batches;
    double error;   /* of the mean, what correlation is left accounted for */
    size_t degrees; /* behind the error */
};

static inline bool steady_is_correlated(const struct steady_batches *batches)
{
    return fabs(batches->lag1)
           >= STEADY_CORRELATED / sqrt((double) batches->batch_count);
}

static inline struct steady_batches
steady_batches_uncorrelated(const double *values, size_t count)
{
    size_t length =
        count / STEADY_BATCHES_FIRST ? count / STEADY_BATCHES_FIRST : 1;
    struct steady_batches found = steady_batches_of(values, count, length);

    while (steady_is_correlated(&found)
           && count / (2 * length) >= STEADY_BATCHES_LEAST) {
        length *= 2;
        found = steady_batches_of(values, count, length);
    }
    return found;
}

static inline double steady_covariance(const double *values, size_t count,
                                       size_t lag, double mean)
{
    double sum = 0;

    for (size_t i = lag; i < count; i++)
        sum += (values[i] - mean) * (values[i - lag] - mean);
    return sum;
}

/*
 * How many values count for one independent one: -1 + 2 sum of pairs of
 * neighbouring autocorrelations, as long as the pairs are positive (Geyer
 * 1992, initial positive sequence); 1 for values that do not hang together.
 */
static inline double steady_correlation_time(const double *values, size_t count)
{
    double mean = 0;
    double pairs = 0;

    for (size_t i = 0; i < count; i++)
        mean += values[i] / (double) count;
    const double variance = steady_covariance(values, count, 0, mean);

    for (size_t lag = 0; variance > 0 && lag + 1 < count; lag += 2) {
        const double pair = (steady_covariance(values, count, lag, mean)
                             + steady_covariance(values, count, lag + 1, mean))
                            / variance;

        if (!(pair > 0))
            break;
        pairs += pair;
    }
    return pairs > 1 ? 2 * pairs - 1 : 1;
}

/* Does what MSER drops differ from what it keeps?  In its mean, or in being so
 * restless that the mean is known better without it. */
static inline bool steady_has_warm_up(const double *values, size_t cut_count,
                                      const struct steady_batches *kept,
                                      const struct steady_batches *all)
{
    if (!cut_count)
        return false;
    const double kept_count = (double) (kept->batch_count * kept->batch_length);
    const double cut = (double) cut_count;
    const double error = kept->error * sqrt((kept_count + cut) / cut);

    return kept->error < STEADY_WARM_UP_RESTLESS * all->error
           || !(fabs(steady_batch_mean(values, 0, cut_count) - kept->mean)
                <= STEADY_WARM_UP_ERRORS * error);
}

/*
 * Positive correlation that is left makes the plain error too small: n batches
 * count for n (1 - r) / (1 + r) independent ones.  An estimate of r from n
 * values comes out about 1/n too low.
 */
static inline void steady_set_error(struct steady *steady, const double *values)
{
    const size_t kept = steady->count - steady->cut_count;
    const struct steady_batches *batches = &steady->batches;
    const double lag1 = batches->lag1 + 1 / (double) batches->batch_count;

    steady->degrees = batches->batch_count - 1;
    steady->error = batches->error;
    /* What rounding leaves of a constant record hangs together by chance. */
    if (!(batches->error > STEADY_ROUNDING * fabs(batches->mean)))
        return;
    if (lag1 > STEADY_LAG1_MOST
        || (double) kept < STEADY_TIMES_LEAST
                               * steady_correlation_time(
                                   values + steady->cut_count, kept))
        steady->lack = STEADY_SLOW;
    else if (lag1 > 0)
        steady->error *= sqrt((1 + lag1) / (1 - lag1));
}

static inline struct steady steady_find(const double *values, size_t count)
{
    const struct mser mser = mser_cut(values, count, MSER_BATCH_LENGTH);
    const size_t cut_count = mser.cut_batches * MSER_BATCH_LENGTH;
    struct steady steady = { .count = count, .cut_count = cut_count };

    if (count < STEADY_CYCLES_LEAST) {
        steady.lack = STEADY_SHORT;
        return steady;
    }
    const struct steady_batches all =
        steady_batches_uncorrelated(values, count);

    steady.batches =
        steady_batches_uncorrelated(values + cut_count, count - cut_count);
    if (!steady_has_warm_up(values, cut_count, &steady.batches, &all)) {
        steady.cut_count = 0;
        steady.batches = all;
    } else if (!mser.is_settled) {
        steady.lack = STEADY_UNSETTLED;
        return steady;
    } else if (count - cut_count < STEADY_CYCLES_LEAST) {
        steady.lack = STEADY_SHORT_AFTER_CUT;
        return steady;
    }
    steady_set_error(&steady, values);
    return steady;
}

#endif
