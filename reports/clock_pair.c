/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/clock_pair.h"

#include "reports/quantiles.h"

#include <math.h>
#include <stdlib.h>

static const size_t vertices_least = 5;
static const double shown_times = 3; /* its error */
/* So many points are close to the line by chance, those on it among them. */
static const size_t close_count = 5;

double four_stamps_offset_ns(const struct four_stamps *stamps)
{
    return (double) ((stamps->arrived_ns - stamps->sent_ns)
                     + (stamps->returned_ns - stamps->received_ns))
           / 2;
}

int64_t four_stamps_trip_ns(const struct four_stamps *stamps)
{
    return (stamps->received_ns - stamps->sent_ns)
           - (stamps->returned_ns - stamps->arrived_ns);
}

/* What one way says of the drift. */
struct slope {
    double whole_ratio, halves_apart_ratio, grain_ratio; /* NaN: nothing */
};

/* How finely the points tell a slope: what the first beyond the close ones has
 * above the line, over half of the record. */
static double grain_of(const struct clock_line *line,
                       const struct clock_point *points, size_t count)
{
    const double half_ns =
        (double) (points[count - 1].at_ns - points[0].at_ns) / 2;
    double *above_ns = calloc(count, sizeof(*above_ns));

    if (!above_ns)
        abort();
    for (size_t i = 0; i < count; i++)
        above_ns[i] = clock_line_above_ns(line, &points[i]);
    quantile_sort(above_ns, count);
    const double grain_ratio =
        above_ns[count > close_count ? close_count : count - 1] / half_ns;

    free(above_ns);
    return grain_ratio;
}

static struct slope slope_of(struct clock_point *points, size_t count)
{
    struct clock_line whole, first, second;

    if (!clock_line_find(points, count, &whole)
        || whole.vertex_count < vertices_least)
        return (struct slope){ (double) NAN, (double) NAN, (double) NAN };
    /* In order of time by now. */
    (void) clock_line_find(points, count / 2, &first);
    (void) clock_line_find(points + count / 2, count - count / 2, &second);
    return (struct slope){ whole.skew_ratio,
                           fabs(first.skew_ratio - second.skew_ratio),
                           grain_of(&whole, points, count) };
}

/* Of the mean of both slopes, or of the only one. */
static double grain_of_both(const struct slope *there, const struct slope *back)
{
    if (isnan(there->grain_ratio))
        return back->grain_ratio;
    if (isnan(back->grain_ratio))
        return there->grain_ratio;
    return hypot(there->grain_ratio, back->grain_ratio) / 2;
}

/* fmax takes the other one of a NaN and a number. */
static double error_of(const struct slope *there, const struct slope *back)
{
    const double ways = fabs(there->whole_ratio + back->whole_ratio) / 2;
    const double halves =
        fmax(there->halves_apart_ratio, back->halves_apart_ratio) / 4;

    return fmax(fmax(ways, halves), grain_of_both(there, back));
}

static double skew_of(const struct slope *there, const struct slope *back)
{
    if (isnan(there->whole_ratio))
        return -back->whole_ratio;
    if (isnan(back->whole_ratio))
        return there->whole_ratio;
    return (there->whole_ratio - back->whole_ratio) / 2;
}

static void settle_skew(struct clock_pair *pair, const struct slope *there,
                        const struct slope *back)
{
    const double skew = skew_of(there, back);
    const double error = error_of(there, back);

    pair->is_skew_shown =
        fabs(skew) > shown_times * error && fabs(skew) <= CLOCK_STEERED_RATIO;
    pair->skew_ratio = pair->is_skew_shown ? skew : 0;
    pair->drift_most_ratio =
        pair->is_skew_shown ? error
                            : fmin(fabs(skew) + error, CLOCK_CRYSTAL_RATIO);
}

void clock_pair_find(struct clock_point *there, size_t there_count,
                     struct clock_point *back, size_t back_count,
                     struct clock_pair *ret_pair)
{
    const struct slope slope_there = slope_of(there, there_count);
    const struct slope slope_back = slope_of(back, back_count);

    *ret_pair = (struct clock_pair){ .has_there = there_count > 0,
                                     .has_back = back_count > 0 };
    settle_skew(ret_pair, &slope_there, &slope_back);
    if (there_count)
        clock_line_touch(there, there_count, ret_pair->skew_ratio,
                         &ret_pair->there);
    if (back_count)
        clock_line_touch(back, back_count, -ret_pair->skew_ratio,
                         &ret_pair->back);
}

double clock_pair_least_sum_ns(const struct clock_pair *pair)
{
    return clock_line_at_ns(&pair->there, pair->there.at_ns)
           + clock_line_at_ns(&pair->back, pair->there.at_ns);
}
