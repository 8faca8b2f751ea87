/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/changes.h"

#include "reports/change_points.h"
#include "reports/download.h"
#include "reports/repeats.h"

#include <bothends/kinds.h>

/* A record and when each of its values was. */
struct record {
    double *values, *at_s;
    size_t count;
};

static void record_init(struct record *record, size_t room)
{
    *record = (struct record){ calloc(room + 1, sizeof(double)),
                               calloc(room + 1, sizeof(double)), 0 };
    if (!record->values || !record->at_s)
        abort();
}

static void record_clear(struct record *record)
{
    free(record->values);
    free(record->at_s);
}

static void record_add(struct record *record, double value, double at_s)
{
    record->at_s[record->count] = at_s;
    record->values[record->count++] = value;
}

static bool is_large_enough(const struct change_point *point)
{
    return point->before.value > 0 && point->after.value > 0
           && fabs(log(point->after.value / point->before.value))
                  > log(1 + CHANGE_LEAST_RATIO);
}

/* --- what is told ------------------------------------------------------------
 */

static struct finding *add(struct reduction *reduction,
                           const struct exchange_record *exchange,
                           bool is_over_rounds, const char *measure,
                           const char *unit)
{
    return is_over_rounds
               ? reduction_add_combined(reduction, exchange, measure, unit)
               : reduction_add_finding(reduction, exchange, measure, unit);
}

static void add_findings(struct reduction *reduction,
                         const struct exchange_record *exchange,
                         bool is_over_rounds, const struct record *record,
                         const struct change_point *point)
{
    struct finding *time =
        add(reduction, exchange, is_over_rounds, "change_time", "s");

    time->value = record->at_s[point->at];
    time->samples_count = record->count;
    finding_set_why(time, "a place that was found has no interval");
    struct finding *ratio =
        add(reduction, exchange, is_over_rounds, "change_ratio", "ratio");

    ratio->value = point->after.value / point->before.value;
    ratio->low = point->after.low / point->before.high;
    ratio->high = point->after.high / point->before.low;
    ratio->samples_count = record->count;
    /* Two intervals at 95 % together. */
    ratio->level_ratio = 0.90;
    if (isnan(ratio->low) || isnan(ratio->high))
        finding_set_why(ratio, "a level of too few values has no interval");
}

/* --- one ping ------------------------------------------------------------- */

static int read_trips(const struct reduction *reduction,
                      const struct exchange_record *exchange,
                      struct record *record, struct fault *fault)
{
    const struct account_record *prober = &exchange->from_account;
    struct rows rows = { .row_size = sizeof(struct ping_probe) };
    const int code = reduction_read_series(reduction, exchange, prober,
                                           "probes", &rows, fault);

    record_init(record, rows.count);
    for (size_t i = 0; i < rows.count; i++) {
        const struct ping_probe *probe = rows_at(&rows, i);

        if (probe->state == PROBE_ANSWERED && probe->rtt_ns > 0
            && !probe->after_pause)
            record_add(
                record, (double) probe->rtt_ns * 1e-9,
                ((double) probe->sent_ns - (double) prober->account.begun_ns)
                    * 1e-9);
    }
    rows_clear(&rows);
    return code;
}

static void tell_trips(struct reduction *reduction,
                       const struct exchange_record *exchange,
                       const struct record *record,
                       const struct change_point *point)
{
    add_findings(reduction, exchange, false, record, point);
    reduction_add_sentence(
        &reduction->doubts,
        "The round trips from %s to %s on step %s changed %.0f s after the "
        "start, from %.1f to %.1f ms on average: figures over all of them "
        "describe neither.",
        exchange->from, exchange->to, exchange->step, record->at_s[point->at],
        point->before.value * 1e3, point->after.value * 1e3);
}

static int weigh_ping(struct reduction *reduction,
                      const struct exchange_record *exchange,
                      struct fault *fault)
{
    struct record record;
    const int code = read_trips(reduction, exchange, &record, fault);

    if (!code && record.count >= CHANGE_PROBES_LEAST) {
        const struct change_points found = change_points_find(
            record.values, record.count, CHANGE_PENALTY, CONFIDENCE_LEVEL);

        for (size_t i = 0; i < found.count && i < CHANGE_POINTS_MOST; i++) {
            if (is_large_enough(&found.points[i]))
                tell_trips(reduction, exchange, &record, &found.points[i]);
        }
    }
    record_clear(&record);
    return code;
}

/* --- repeats of a download ------------------------------------------------ */

struct gathering {
    const struct reduction *reduction;
    struct record *record;
};

static void take_value(void *owner, const struct value_record *value)
{
    const struct gathering *gathering = owner;
    const struct reduction *reduction = gathering->reduction;
    const struct exchange_record *exchange =
        reduction_exchange(reduction, value->exchange);

    if (value->what == VALUE_WHOLE)
        record_add(gathering->record, value->level.mean,
                   ((double) exchange->started_unix_ns
                    - (double) reduction->run.started_unix_ns)
                       * 1e-9);
}

static void gather_rounds(const struct reduction *reduction, size_t exchange,
                          struct record *record)
{
    struct gathering gathering = { reduction, record };
    size_t room = 0;

    for (size_t i = exchange; i < reduction->exchanges.count;
         i = repeats_next(reduction, i))
        room++;
    record_init(record, room);
    repeats_each_value(reduction, exchange, true, take_value, &gathering);
}

/* The rank test says whether there is one, and where. */
static bool find_in_rounds(const struct record *record,
                           struct change_point *ret_point)
{
    const struct pettitt pettitt =
        change_points_pettitt(record->values, record->count);
    const size_t at = pettitt.at;

    if (!(pettitt.probability < CHANGE_PROBABILITY) || !at
        || at >= record->count)
        return false;
    *ret_point = (struct change_point){
        .at = at,
        .before =
            statistics_mean_interval(record->values, at, CONFIDENCE_LEVEL),
        .after = statistics_mean_interval(record->values + at,
                                          record->count - at, CONFIDENCE_LEVEL),
    };
    return is_large_enough(ret_point);
}

static void tell_rounds(struct reduction *reduction,
                        const struct exchange_record *exchange,
                        const struct record *record,
                        const struct change_point *point)
{
    add_findings(reduction, exchange, true, record, point);
    reduction_add_sentence(
        &reduction->doubts,
        "From repeat %zu of %zu on, %.0f s after the run began, the goodput "
        "from %s to %s on step %s was another: %.1f instead of %.1f kbit/s on "
        "average.",
        point->at + 1, record->count, record->at_s[point->at], exchange->from,
        exchange->to, exchange->step, point->after.value * 1e-3,
        point->before.value * 1e-3);
}

static void weigh_rounds(struct reduction *reduction, size_t exchange)
{
    struct record record;
    struct change_point point;

    gather_rounds(reduction, exchange, &record);
    if (record.count >= CHANGE_ROUNDS_LEAST && find_in_rounds(&record, &point))
        tell_rounds(reduction, reduction_exchange(reduction, exchange), &record,
                    &point);
    record_clear(&record);
}

int changes_add(struct reduction *reduction, struct fault *fault)
{
    int code = 0;

    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (strcmp(exchange->kind->name, ping_kind.name) == 0
            && strcmp(exchange->condition, "idle") == 0
            && exchange->from_account.is_there)
            code = weigh_ping(reduction, exchange, fault);
        if (strcmp(exchange->kind->name, download_kind.name) == 0
            && repeats_is_first(reduction, i))
            weigh_rounds(reduction, i);
    }
    return code;
}
