/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/answers.h"
#include "reports/cumulative.h"
#include "reports/repeats.h"
#include "reports/steadiness.h"
#include "reports/table.h"
#include "reports/timing_doubts.h"
#include "reports/timing_findings.h"
#include "reports/timing_offsets.h"

#include <bothends/kinds/timing.h>

/*
 * What stamped probes say of each way by itself: loss (RFC 7680), what was
 * overtaken (RFC 4737) and what came twice (RFC 5560), delay variation (RFC
 * 5481) and delay one way (RFC 7679); and of both ways, the round trip without
 * the reflector's own time (RFC 8762).
 */

/* --- along time ----------------------------------------------------------- */

/* The delay one way, or where only that is known, what is beyond the quickest.
 */
static double shown_s(const struct crossing *crossing,
                      const struct one_way *delays, enum way_of_two way)
{
    const double least_s = one_way_least_s(delays, way);

    if (!crossing->ways[way].has_arrived)
        return (double) INFINITY;
    if (!crossing->ways[way].has_stamps || delays->has_moved)
        return (double) NAN;
    return (isnan(least_s) ? 0 : least_s)
           + one_way_above_s(delays, crossing, way);
}

/* By when the probe went, both ways: what was lost together stands together. */
static void draw_way(struct reduction *reduction, size_t exchange,
                     const struct crossings *crossings,
                     const struct one_way *delays, enum way_of_two way)
{
    const struct exchange_account *account =
        &reduction_exchange(reduction, exchange)->from_account.account;
    struct curve *curve =
        reduction_add_curve(reduction, CURVE_ANSWERS, exchange);

    curve->is_one_way = true;
    curve->is_from_second = way == WAY_BACK;
    curve->span_s = (double) (account->ended_ns - account->begun_ns) * 1e-9;
    for (size_t i = 0; i < crossings->probes.count; i++) {
        const struct crossing *crossing = rows_at(&crossings->probes, i);
        const double at_s = (double) (crossing->ways[WAY_THERE].sent_ns
                                      - (int64_t) account->begun_ns)
                            * 1e-9;

        if (crossing->ways[way].is_sent)
            answers_add(curve, at_s, shown_s(crossing, delays, way));
    }
}

/* --- one exchange --------------------------------------------------------- */

/* Both directions, and what the plan's probing asked for. */
static void add_end(struct reduction *reduction,
                    const struct exchange_record *record)
{
    const struct timing_spec *spec = (const void *) record->spec.bytes;
    const struct timing_outcome *outcome =
        (const void *) record->from_account.account.outcome.bytes;

    if (record->has_spec)
        steadiness_add_end(reduction, record, &outcome->looks,
                           spec->within_ratio, "median round trip");
}

static void reduce_crossings(struct reduction *reduction, size_t exchange,
                             const struct crossings *crossings)
{
    struct exchange_record *record = reduction_exchange(reduction, exchange);
    const struct timing_outcome *outcome =
        (const void *) record->from_account.account.outcome.bytes;
    struct timing_told told = { .reduction = reduction,
                                .exchange = exchange,
                                .is_near_only = crossings->is_near_only,
                                .expected = timing_expect(reduction, record) };
    struct one_way delays;

    one_way_find(crossings, told.expected.floor_s, &delays);
    delays.has_slept = record->from_account.account.suspended_ns
                       || record->to_account.account.suspended_ns;
    if (delays.has_slept)
        one_way_forget(&delays);
    /* Without the reflector's account its stamps are another clock's. */
    if (!crossings->is_near_only) {
        timing_use_offset(reduction, exchange, &delays);
        timing_keep_offset(reduction, exchange, &delays);
    }
    timing_keep(reduction, exchange, crossings, &delays);
    timing_sum(reduction, exchange, false, &told.sum);
    timing_add_findings(&told);
    timing_sum_clear(&told.sum);
    for (int way = 0; way < WAYS_OF_TWO; way++)
        draw_way(reduction, exchange, crossings, &delays,
                 (enum way_of_two) way);
    timing_add_doubts(reduction, record, &delays);
    if (crossings->is_near_only)
        timing_tell_near(reduction, record, crossings);
    record->least_ttl = crossings->least_ttl;
    record->most_ttl = crossings->most_ttl;
    record->own_bytes =
        (double) outcome->wire_bytes
        * (double) (crossings->probes.count
                    + crossings->orders[WAY_THERE].highest.count);
    add_end(reduction, record);
}

static int reduce(struct reduction *reduction, size_t exchange,
                  struct fault *fault)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    struct crossings crossings;
    char why[160];

    if (reduction_is_account_missing(&record->from_account, record->from, why,
                                     sizeof(why))) {
        timing_add_whys(&(struct timing_told){ .reduction = reduction,
                                               .exchange = exchange },
                        why);
        return 0;
    }
    const int code = crossings_read(reduction, record, &crossings, fault);

    if (!code)
        reduce_crossings(reduction, exchange, &crossings);
    crossings_clear(&crossings);
    return code;
}

/* --- over rounds ---------------------------------------------------------- */

static void add_curve(const struct timing_told *told, enum way_of_two way)
{
    const struct way_sum *sum = &told->sum.ways[way];

    if (!sum->delays_s.count)
        return;
    struct curve *curve =
        reduction_add_curve(told->reduction, CURVE_CUMULATIVE, told->exchange);

    curve->is_all_rounds = told->is_all_rounds;
    curve->is_one_way = true;
    curve->is_from_second = way == WAY_BACK;
    curve->expected = told->expected.least_s[way];
    cumulative_fill(curve, sum->delays_s.data, sum->delays_s.count);
}

static void combine_one(struct reduction *reduction, size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    struct timing_told told = { .reduction = reduction,
                                .exchange = exchange,
                                .is_all_rounds =
                                    repeats_next(reduction, exchange)
                                    < reduction->exchanges.count,
                                .expected = timing_expect(reduction, record) };

    timing_sum(reduction, exchange, told.is_all_rounds, &told.sum);
    if (told.is_all_rounds)
        timing_add_findings(&told);
    for (int way = 0; way < WAYS_OF_TWO; way++)
        add_curve(&told, (enum way_of_two) way);
    timing_sum_clear(&told.sum);
}

static void combine(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        if (strcmp(reduction_exchange(reduction, i)->kind->name,
                   timing_report.name)
                == 0
            && repeats_is_first(reduction, i))
            combine_one(reduction, i);
    }
}

const struct report_kind timing_report = {
    .name = "timing",
    .reduce = reduce,
    .combine = combine,
    .definition =
        "Stamped probes (RFC 8762) are told for each way by itself. Lost is "
        "what was sent and never seen at the other end (RFC 7680); of the "
        "replies only those can be lost whose probe arrived (RFC 6673). "
        "Overtaken is what arrived after a later one (RFC 4737), twice what "
        "came more than once (RFC 5560); shares have Wilson's interval. Delay "
        "variation is what a packet that arrived took beyond the quickest "
        "(RFC 5481); it needs no common clock, only the clocks' drift, which "
        "is taken off by the line below all delays where both ways and both "
        "halves of the record show it. The delay one way does need one. The "
        "quickest packets there and back took a time together that no clock "
        "is part of; neither took less than its airtime; so the quickest "
        "of each way is known as a range (narrowed by what earlier probes "
        "between the two ends left of it, plus 100 ppm of the time since), and "
        "every delay one way carries "
        "half of it to either side of its own interval (± from the clocks). "
        "Delays one way are of all sent, a lost one being infinite (RFC "
        "7679). The round trip is without the time at the far end.",
};
