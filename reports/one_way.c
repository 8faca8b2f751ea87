/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/one_way.h"

#include <math.h>

/* A sum below this share of what is possible is no matter of rounding. */
static const double quick_ratio = 0.95;

static int64_t apart_ns(const struct crossing *crossing, enum way_of_two way)
{
    return crossing->ways[way].arrived_ns - crossing->ways[way].sent_ns;
}

/* By the sender's clock: when the probe went, when the reply came. */
static int64_t near_ns(const struct crossing *crossing, enum way_of_two way)
{
    return way == WAY_THERE ? crossing->ways[way].sent_ns
                            : crossing->ways[way].arrived_ns;
}

/* Without the first one after a pause: what it waits for is no traffic's. */
static bool is_point(const struct crossing *crossing, enum way_of_two way)
{
    return crossing->ways[way].has_stamps && !crossing->is_after_pause;
}

static struct clock_point point_of(const struct crossing *crossing,
                                   enum way_of_two way)
{
    return (struct clock_point){ near_ns(crossing, way),
                                 apart_ns(crossing, way) };
}

/* The caller frees. */
static struct clock_point *points_of(const struct crossings *crossings,
                                     enum way_of_two way, size_t *ret_count)
{
    struct clock_point *points =
        calloc(crossings->probes.count + 1, sizeof(*points));
    size_t count = 0;

    if (!points)
        abort();
    for (size_t i = 0; i < crossings->probes.count; i++) {
        const struct crossing *crossing = rows_at(&crossings->probes, i);

        if (is_point(crossing, way))
            points[count++] = point_of(crossing, way);
    }
    *ret_count = count;
    return points;
}

static double span_s(const struct crossings *crossings)
{
    const size_t count = crossings->probes.count;

    if (!count)
        return 0;
    const struct crossing *first = rows_at(&crossings->probes, 0);
    const struct crossing *last = rows_at(&crossings->probes, count - 1);

    return (double) (last->ways[WAY_THERE].sent_ns
                     - first->ways[WAY_THERE].sent_ns)
           * 1e-9;
}

/* INFINITY: none came back. */
static double least_trip_s(const struct crossings *crossings)
{
    double least_s = (double) INFINITY;

    for (size_t i = 0; i < crossings->probes.count; i++) {
        const struct crossing *crossing = rows_at(&crossings->probes, i);

        if (crossing_has_trip(crossing) && !crossing->is_after_pause)
            least_s = fmin(least_s, (double) crossing_trip_ns(crossing) * 1e-9);
    }
    return least_s;
}

/*
 * The quickest of each way may be of different probes, so what they took
 * together is less than any round trip; but never less than the floor twice,
 * unless that is wrong (then single round trips are too quick as well) or a
 * clock was moved between the two.
 */
static void bound(const struct crossings *crossings, double floor_s,
                  struct one_way *delays)
{
    const double sum_s = clock_pair_least_sum_ns(&delays->pair) * 1e-9;
    const double limit_s = quick_ratio * 2 * floor_s;

    delays->least_sum_s = sum_s;
    delays->is_quick = least_trip_s(crossings) < limit_s;
    delays->has_moved =
        sum_s + delays->drift_s < (delays->is_quick ? 0 : limit_s);
    if (delays->has_moved)
        return;
    const double least_s = delays->is_quick ? 0 : floor_s;
    const double left_s = fmax(sum_s + delays->drift_s, 2 * least_s) - least_s;

    for (int way = 0; way < WAYS_OF_TWO; way++)
        delays->ways[way].least_s = (struct range){ least_s, left_s };
}

void one_way_find(const struct crossings *crossings, double floor_s,
                  struct one_way *ret_delays)
{
    size_t there_count, back_count;
    struct clock_point *there = points_of(crossings, WAY_THERE, &there_count);
    struct clock_point *back = points_of(crossings, WAY_BACK, &back_count);

    *ret_delays = (struct one_way){
        .ways = { { there_count > 0, range_unsaid() },
                  { back_count > 0, range_unsaid() } },
        .least_sum_s = (double) NAN,
        .span_s = span_s(crossings),
    };
    clock_pair_find(there, there_count, back, back_count, &ret_delays->pair);
    ret_delays->drift_s =
        ret_delays->pair.drift_most_ratio * ret_delays->span_s;
    if (there_count && back_count)
        bound(crossings, floor_s, ret_delays);
    free(there);
    free(back);
}

void one_way_forget(struct one_way *delays)
{
    delays->has_moved = true;
    for (int way = 0; way < WAYS_OF_TWO; way++)
        delays->ways[way].least_s = range_unsaid();
}

void one_way_narrow(struct one_way *delays, struct range offset_ns)
{
    const struct range own_s = delays->ways[WAY_THERE].least_s;
    const struct clock_line *line = &delays->pair.there;

    if (!range_is_said(own_s))
        return;
    const struct range there_s = {
        fmax(own_s.low, ((double) line->apart_ns - offset_ns.high) * 1e-9),
        fmin(own_s.high, ((double) line->apart_ns - offset_ns.low) * 1e-9)
    };
    const struct range back_s = {
        fmax(own_s.low, delays->least_sum_s - there_s.high),
        fmin(own_s.high, delays->least_sum_s + delays->drift_s - there_s.low)
    };

    if (there_s.low > there_s.high || back_s.low > back_s.high)
        return;
    delays->ways[WAY_THERE].least_s = there_s;
    delays->ways[WAY_BACK].least_s = back_s;
}

/* One after a pause is no point of the line, and may lie below it. */
double one_way_above_s(const struct one_way *delays,
                       const struct crossing *crossing, enum way_of_two way)
{
    const struct clock_line *line =
        way == WAY_THERE ? &delays->pair.there : &delays->pair.back;
    const struct clock_point point = point_of(crossing, way);

    return fmax(clock_line_above_ns(line, &point), 0) * 1e-9;
}

double one_way_least_s(const struct one_way *delays, enum way_of_two way)
{
    const struct range least_s = delays->ways[way].least_s;

    return (least_s.low + least_s.high) / 2;
}

double one_way_doubt_s(const struct one_way *delays, enum way_of_two way)
{
    const struct range least_s = delays->ways[way].least_s;

    return (least_s.high - least_s.low) / 2;
}
