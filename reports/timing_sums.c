/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_sums.h"

#include "reports/quantiles.h"
#include "reports/repeats.h"

#include <math.h>

/* Of a way, in this order: its quickest comes before what is told beyond it. */
enum kept {
    KEPT_LEAST,     /* mean, error: middle and doubt; NaN: not known */
    KEPT_ABOVE,     /* mean: seconds; INFINITY: lost; NaN: not known */
    KEPT_OVERTAKEN, /* mean of degrees */
    KEPT_REPEATED,
    KEPT_TRIP, /* of both ways: seconds, INFINITY: no answer in time */
};

/* After a pause: it counts as sent or lost, and its time does not. */
static const double after_pause = 1; /* as error of KEPT_ABOVE, KEPT_TRIP */

static int what_of(enum kept kept, enum way_of_two way)
{
    return (int) kept * WAYS_OF_TWO + (int) way;
}

/* --- keeping -------------------------------------------------------------- */

static struct mean_error *keep(struct reduction *reduction, size_t exchange,
                               enum kept kept, enum way_of_two way)
{
    struct value_record *value = rows_add(&reduction->values);

    value->exchange = exchange;
    value->what = what_of(kept, way);
    return &value->level;
}

static void keep_delay(struct reduction *reduction, size_t exchange,
                       const struct crossing *crossing,
                       const struct one_way *delays, enum way_of_two way)
{
    if (!crossing->ways[way].is_sent)
        return;
    struct mean_error *level = keep(reduction, exchange, KEPT_ABOVE, way);

    level->error = crossing->is_after_pause ? after_pause : 0;
    if (!crossing->ways[way].has_arrived)
        level->mean = (double) INFINITY;
    else if (crossing->ways[way].has_stamps && !delays->has_moved
             && delays->ways[way].is_there)
        level->mean = one_way_above_s(delays, crossing, way);
    else
        level->mean = (double) NAN;
}

static void keep_share(struct reduction *reduction, size_t exchange,
                       enum kept kept, enum way_of_two way, uint64_t hits_count,
                       uint64_t count)
{
    struct mean_error *level = keep(reduction, exchange, kept, way);

    level->mean = (double) hits_count;
    level->degrees = (double) count;
}

static void keep_way(struct reduction *reduction, size_t exchange,
                     const struct crossings *crossings,
                     const struct one_way *delays, enum way_of_two way)
{
    const struct arrival_order *order = &crossings->orders[way];
    const struct copies *copies = &crossings->copies[way];
    struct mean_error *least = keep(reduction, exchange, KEPT_LEAST, way);

    least->mean = one_way_least_s(delays, way);
    least->error = one_way_doubt_s(delays, way);
    for (size_t i = 0; i < crossings->probes.count; i++)
        keep_delay(reduction, exchange, rows_at(&crossings->probes, i), delays,
                   way);
    keep_share(reduction, exchange, KEPT_OVERTAKEN, way, order->reordered_count,
               order->highest.count);
    keep_share(reduction, exchange, KEPT_REPEATED, way, copies->repeated_count,
               copies->packet_count);
}

static void keep_trips(struct reduction *reduction, size_t exchange,
                       const struct crossings *crossings)
{
    for (size_t i = 0; i < crossings->probes.count; i++) {
        const struct crossing *crossing = rows_at(&crossings->probes, i);
        struct mean_error *level =
            keep(reduction, exchange, KEPT_TRIP, WAY_THERE);

        level->error = crossing->is_after_pause ? after_pause : 0;
        if (!crossing->is_answered)
            level->mean = (double) INFINITY;
        else
            level->mean = crossing_has_trip(crossing)
                              ? (double) crossing_trip_ns(crossing) * 1e-9
                              : (double) NAN;
    }
}

void timing_keep(struct reduction *reduction, size_t exchange,
                 const struct crossings *crossings,
                 const struct one_way *delays)
{
    for (int way = 0; way < WAYS_OF_TWO; way++)
        keep_way(reduction, exchange, crossings, delays, (enum way_of_two) way);
    keep_trips(reduction, exchange, crossings);
}

/* --- adding up ------------------------------------------------------------ */

/* In which exchange we are, for what its quickest took. */
struct adding {
    struct timing_sum *sum;
    double least_s[WAYS_OF_TWO];
};

static void add_least(struct adding *adding, enum way_of_two way,
                      const struct mean_error *level)
{
    struct way_sum *sum = &adding->sum->ways[way];
    const struct range here_s = { level->mean - level->error,
                                  level->mean + level->error };

    adding->least_s[way] = level->mean;
    if (isnan(level->mean)) {
        sum->has_unknown = true;
        return;
    }
    sum->doubt_s = fmax(sum->doubt_s, level->error);
    sum->least_s = range_is_said(sum->least_s)
                       ? (struct range){ fmin(sum->least_s.low, here_s.low),
                                         fmin(sum->least_s.high, here_s.high) }
                       : here_s;
}

static void add_value(struct rows *rows, double value)
{
    *(double *) rows_add(rows) = value;
}

static void add_above(struct adding *adding, enum way_of_two way,
                      const struct mean_error *level)
{
    struct way_sum *sum = &adding->sum->ways[way];
    const bool is_lost = isinf(level->mean);

    losses_add(&sum->losses, is_lost);
    if (level->error == after_pause || isnan(level->mean))
        return;
    if (!is_lost)
        add_value(&sum->above_s, level->mean);
    if (!isnan(adding->least_s[way]))
        add_value(&sum->delays_s, adding->least_s[way] + level->mean);
}

static void add_trip(struct timing_sum *sum, const struct mean_error *level)
{
    losses_add(&sum->unanswered, isinf(level->mean));
    if (level->error != after_pause && !isnan(level->mean))
        add_value(&sum->trips_s, level->mean);
}

static void add_share(struct share_sum *sum, const struct mean_error *level)
{
    sum->hits_count += level->mean;
    sum->count += level->degrees;
}

static void take_value(void *owner, const struct value_record *value)
{
    struct adding *adding = owner;

    if (value->what == TIMING_OFFSET)
        return;
    const enum way_of_two way = (enum way_of_two)(value->what % WAYS_OF_TWO);
    struct way_sum *sum = &adding->sum->ways[way];

    switch ((enum kept)(value->what / WAYS_OF_TWO)) {
    case KEPT_LEAST:
        add_least(adding, way, &value->level);
        break;
    case KEPT_ABOVE:
        add_above(adding, way, &value->level);
        break;
    case KEPT_OVERTAKEN:
        add_share(&sum->overtaken, &value->level);
        break;
    case KEPT_REPEATED:
        add_share(&sum->repeated, &value->level);
        break;
    case KEPT_TRIP:
        add_trip(adding->sum, &value->level);
        break;
    }
}

void timing_sum(const struct reduction *reduction, size_t exchange,
                bool is_all_rounds, struct timing_sum *ret_sum)
{
    struct adding adding = { .sum = ret_sum };

    *ret_sum = (struct timing_sum){ .trips_s.row_size = sizeof(double) };
    for (int i = 0; i < WAYS_OF_TWO; i++)
        ret_sum->ways[i] =
            (struct way_sum){ .above_s.row_size = sizeof(double),
                              .delays_s.row_size = sizeof(double),
                              .least_s = range_unsaid() };
    repeats_each_value(reduction, exchange, is_all_rounds, take_value, &adding);
    for (int i = 0; i < WAYS_OF_TWO; i++) {
        quantile_sort(ret_sum->ways[i].above_s.data,
                      ret_sum->ways[i].above_s.count);
        quantile_sort(ret_sum->ways[i].delays_s.data,
                      ret_sum->ways[i].delays_s.count);
    }
    quantile_sort(ret_sum->trips_s.data, ret_sum->trips_s.count);
}

void timing_sum_clear(struct timing_sum *sum)
{
    for (int i = 0; i < WAYS_OF_TWO; i++) {
        rows_clear(&sum->ways[i].above_s);
        rows_clear(&sum->ways[i].delays_s);
    }
    rows_clear(&sum->trips_s);
}
