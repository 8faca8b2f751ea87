/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/change_points.h"

#include "reports/quantiles.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Of a normal distribution: sd / median absolute deviation. */
static const double sd_per_mad = 1.482602218505602;

static void *allocate(size_t count, size_t size)
{
    void *memory = calloc(count ? count : 1, size);

    if (!memory)
        abort();
    return memory;
}

/* --- spread --------------------------------------------------------------- */

static double median_in_place(double *values, size_t count)
{
    quantile_sort(values, count);
    return (values[count / 2] + values[(count - 1) / 2]) / 2;
}

double change_points_sd(const double *values, size_t count)
{
    if (count < 3)
        return (double) NAN;
    const size_t differences = count - 1;
    double *sorted = allocate(differences, sizeof(*sorted));

    for (size_t i = 0; i < differences; i++)
        sorted[i] = values[i + 1] - values[i];
    const double median = median_in_place(sorted, differences);

    for (size_t i = 0; i < differences; i++)
        sorted[i] = fabs(sorted[i] - median);
    const double deviation = median_in_place(sorted, differences);

    free(sorted);
    return sd_per_mad * deviation / sqrt(2);
}

/* --- pieces --------------------------------------------------------------- */

struct partition {
    double *sums, *squares; /* of the first i values, less the overall mean */
    double *costs;          /* of the first i values, cut best */
    size_t *cuts;           /* where the last piece of them begins */
    size_t *open;           /* beginnings that may still win */
    size_t open_count;
};

static void open_partition(struct partition *partition, const double *values,
                           size_t count)
{
    const double mean = statistics_mean(values, count);

    *partition = (struct partition){
        .sums = allocate(count + 1, sizeof(double)),
        .squares = allocate(count + 1, sizeof(double)),
        .costs = allocate(count + 1, sizeof(double)),
        .cuts = allocate(count + 1, sizeof(size_t)),
        .open = allocate(count + 1, sizeof(size_t)),
    };
    for (size_t i = 0; i < count; i++) {
        const double value = values[i] - mean;

        partition->sums[i + 1] = partition->sums[i] + value;
        partition->squares[i + 1] = partition->squares[i] + value * value;
    }
}

static void close_partition(struct partition *partition)
{
    free(partition->sums);
    free(partition->squares);
    free(partition->costs);
    free(partition->cuts);
    free(partition->open);
}

/* The sum of squares within a piece. */
static double cost_of(const struct partition *partition, size_t from, size_t to)
{
    const double sum = partition->sums[to] - partition->sums[from];
    const double squares = partition->squares[to] - partition->squares[from];

    return squares - sum * sum / (double) (to - from);
}

/* F(t) = min F(s) + C(s, t) + penalty; a beginning that costs more than F(t)
 * even without a penalty can't win later. */
static void extend(struct partition *partition, size_t to, double penalty)
{
    double best = (double) INFINITY;
    size_t kept = 0;

    partition->open[partition->open_count++] = to - 1;
    for (size_t i = 0; i < partition->open_count; i++) {
        const size_t from = partition->open[i];
        const double cost =
            partition->costs[from] + cost_of(partition, from, to) + penalty;

        if (cost < best) {
            best = cost;
            partition->cuts[to] = from;
        }
    }
    partition->costs[to] = best;
    for (size_t i = 0; i < partition->open_count; i++) {
        const size_t from = partition->open[i];

        if (partition->costs[from] + cost_of(partition, from, to) <= best)
            partition->open[kept++] = from;
    }
    partition->open_count = kept;
}

static void note_points(const struct partition *partition, const double *values,
                        size_t count, double level,
                        struct change_points *points)
{
    size_t *ends = allocate(count + 1, sizeof(*ends));
    size_t piece_count = 0;

    /* From the end to the front. */
    for (size_t end = count; end > 0; end = partition->cuts[end])
        ends[piece_count++] = end;
    points->count = piece_count - 1;
    for (size_t i = 0; i < points->count && i < CHANGE_POINTS_MOST; i++) {
        const size_t at = ends[piece_count - 1 - i];
        const size_t from = partition->cuts[at];
        const size_t to = ends[piece_count - 2 - i];

        points->points[i] = (struct change_point){
            .at = at,
            .before = statistics_mean_interval(values + from, at - from, level),
            .after = statistics_mean_interval(values + at, to - at, level),
        };
    }
    free(ends);
}

struct change_points change_points_find(const double *values, size_t count,
                                        double penalty_factor, double level)
{
    struct change_points points = { .sd = change_points_sd(values, count) };
    struct partition partition;

    points.penalty =
        penalty_factor * 2 * points.sd * points.sd * log((double) count);
    /* Neighbours that do not differ at all say nothing of the noise. */
    if (!(points.penalty > 0))
        return points;
    open_partition(&partition, values, count);
    partition.costs[0] = -points.penalty;
    for (size_t to = 1; to <= count; to++)
        extend(&partition, to, points.penalty);
    points.cost = partition.costs[count];
    note_points(&partition, values, count, level, &points);
    close_partition(&partition);
    return points;
}

/* --- Pettitt -------------------------------------------------------------- */

/* Twice the mid-rank of a value among the sorted ones. */
static double double_rank(const double *sorted, size_t count, double value)
{
    size_t below = 0;
    size_t from = 0;
    size_t to = count;

    while (from < to) {
        const size_t middle = (from + to) / 2;

        if (sorted[middle] < value)
            from = middle + 1;
        else
            to = middle;
    }
    below = from;
    to = count;
    while (from < to) {
        const size_t middle = (from + to) / 2;

        if (sorted[middle] <= value)
            from = middle + 1;
        else
            to = middle;
    }
    return (double) (below + 1 + from);
}

struct pettitt change_points_pettitt(const double *values, size_t count)
{
    struct pettitt pettitt = { .probability = (double) NAN };
    const double n = (double) count;
    double *sorted = allocate(count, sizeof(*sorted));
    double sum = 0;

    if (count)
        (void) memcpy(sorted, values, count * sizeof(*sorted));
    quantile_sort(sorted, count);
    for (size_t i = 0; i < count; i++) {
        sum += double_rank(sorted, count, values[i]) - (n + 1);
        if (fabs(sum) > pettitt.k) {
            pettitt.k = fabs(sum);
            pettitt.at = i + 1;
        }
    }
    free(sorted);
    if (count > 1)
        pettitt.probability =
            fmin(1, 2 * exp(-6 * pettitt.k * pettitt.k / (n * n * n + n * n)));
    return pettitt;
}
