/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_findings.h"

#include "reports/percentile.h"
#include "reports/steadiness.h"

#include <bothends/kinds/timing.h>

static const struct {
    const char *variation, *delay, *trip;
    double share;
} percentiles[] = {
    { "delay_variation_p50", "one_way_p50", "rtt_stamped_p50", 0.50 },
    { "delay_variation_p90", "one_way_p90", "rtt_stamped_p90", 0.90 },
    { "delay_variation_p95", "one_way_p95", "rtt_stamped_p95", 0.95 },
    { "delay_variation_p99", "one_way_p99", "rtt_stamped_p99", 0.99 },
};

static const struct exchange_record *record_of(const struct timing_told *told)
{
    return reduction_exchange(told->reduction, told->exchange);
}

static struct finding *add(const struct timing_told *told, const char *measure,
                           const char *unit)
{
    return told->is_all_rounds
               ? reduction_add_combined(told->reduction, record_of(told),
                                        measure, unit)
               : reduction_add_finding(told->reduction, record_of(told),
                                       measure, unit);
}

/* Named as its packets go. */
static struct finding *add_way(const struct timing_told *told,
                               enum way_of_two way, const char *measure,
                               const char *unit)
{
    const struct exchange_record *record = record_of(told);
    struct finding *finding = add(told, measure, unit);

    if (way == WAY_BACK) {
        (void) snprintf(finding->from, sizeof(finding->from), "%s", record->to);
        (void) snprintf(finding->to, sizeof(finding->to), "%s", record->from);
    }
    return finding;
}

static void add_loss(const struct timing_told *told, enum way_of_two way)
{
    const struct losses *losses = &told->sum.ways[way].losses;
    struct finding *finding = add_way(told, way, "one_way_loss", "ratio");
    const struct estimate estimate = losses_interval(losses, CONFIDENCE_LEVEL);

    finding_set(finding, &estimate, losses->count);
    if (!losses->count)
        finding_set_why(finding, "%s",
                        told->is_near_only && way == WAY_THERE
                            ? "nothing came back that tells what arrived"
                        : way == WAY_BACK
                            ? "no probe arrived that could be answered"
                            : "no probe was sent");
}

static void add_share(const struct timing_told *told, enum way_of_two way,
                      const char *measure, const struct share_sum *share)
{
    struct finding *finding = add_way(told, way, measure, "ratio");
    const struct estimate estimate =
        statistics_wilson_of(share->hits_count, share->count, CONFIDENCE_LEVEL);

    finding_set(finding, &estimate, (uint64_t) share->count);
    if (!(share->count > 0))
        finding_set_why(finding, "%s",
                        told->is_near_only
                            ? "only the other end's account would tell"
                            : "nothing arrived");
}

static void add_variations(const struct timing_told *told, enum way_of_two way)
{
    const struct rows *above_s = &told->sum.ways[way].above_s;

    for (size_t i = 0; i < COUNT_OF(percentiles); i++)
        percentile_set(add_way(told, way, percentiles[i].variation, "s"),
                       above_s->data, above_s->count, percentiles[i].share,
                       CONFIDENCE_LEVEL, "packets that arrived");
}

/* Only the other way tells what the clocks are apart. */
static const char *why_no_delay(const struct way_sum *sum)
{
    if (!sum->above_s.count)
        return "nothing arrived whose delay is known";
    return "packets of one way alone do not tell what the clocks are apart";
}

static void add_least(const struct timing_told *told, enum way_of_two way)
{
    const struct way_sum *sum = &told->sum.ways[way];
    const struct range expected_s = told->expected.least_s[way];
    struct finding *finding = add_way(told, way, "one_way_least", "s");

    finding->samples_count = sum->above_s.count;
    if (!range_is_said(sum->least_s)) {
        finding_set_why(finding, "%s", why_no_delay(sum));
        return;
    }
    finding->low = sum->least_s.low;
    finding->high = sum->least_s.high;
    finding->value = (finding->low + finding->high) / 2;
    if (!range_is_said(expected_s))
        return;
    finding->expected_low = expected_s.low;
    finding->expected_high = expected_s.high;
    (void) snprintf(finding->expected_source, sizeof(finding->expected_source),
                    "computed");
}

/* What the clocks leave open is added to what the sample does. */
static void add_delays(const struct timing_told *told, enum way_of_two way)
{
    const struct way_sum *sum = &told->sum.ways[way];

    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        struct finding *finding = add_way(told, way, percentiles[i].delay, "s");

        if (!range_is_said(sum->least_s)) {
            finding_set_why(finding, "%s", why_no_delay(sum));
            continue;
        }
        percentile_set(finding, sum->delays_s.data, sum->delays_s.count,
                       percentiles[i].share, CONFIDENCE_LEVEL, "packets");
        if (isnan(finding->value))
            continue;
        finding->low = fmax(finding->low - sum->doubt_s, 0);
        finding->high += sum->doubt_s;
    }
}

static void expect_trip(struct finding *finding, struct range expected_ns)
{
    if (!range_is_said(expected_ns))
        return;
    finding->expected_low = expected_ns.low * 1e-9;
    finding->expected_high = expected_ns.high * 1e-9;
    (void) snprintf(finding->expected_source, sizeof(finding->expected_source),
                    "computed");
}

static double level_of(const struct timing_told *told)
{
    const struct timing_outcome *outcome =
        (const void *) record_of(told)->from_account.account.outcome.bytes;

    return steadiness_level(&outcome->looks);
}

static void add_trips(const struct timing_told *told)
{
    const struct rows *trips_s = &told->sum.trips_s;
    const struct losses *losses = &told->sum.unanswered;

    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        struct finding *finding = add(told, percentiles[i].trip, "s");

        percentile_set(finding, trips_s->data, trips_s->count,
                       percentiles[i].share,
                       i ? CONFIDENCE_LEVEL : level_of(told), "probes");
        if (i == 0)
            expect_trip(finding, told->expected.trip.mean_ns);
    }
    struct finding *least = add(told, "rtt_stamped_least", "s");

    least->samples_count = losses->count - losses->lost_count;
    if (trips_s->count && isfinite(*(const double *) trips_s->data)) {
        least->value = *(const double *) trips_s->data;
        expect_trip(least, told->expected.trip.least_ns);
    }
    finding_set_why(least, "%s",
                    isnan(least->value)
                        ? "no probe was answered"
                        : "the least of a sample has no interval");
    struct finding *unanswered = add(told, "rtt_stamped_loss", "ratio");
    const struct estimate estimate = losses_interval(losses, CONFIDENCE_LEVEL);

    finding_set(unanswered, &estimate, losses->count);
    if (!losses->count)
        finding_set_why(unanswered, "no probe was sent");
}

void timing_add_findings(const struct timing_told *told)
{
    for (int i = 0; i < WAYS_OF_TWO; i++) {
        const enum way_of_two way = (enum way_of_two) i;
        const struct way_sum *sum = &told->sum.ways[i];

        add_loss(told, way);
        add_share(told, way, "one_way_reordered", &sum->overtaken);
        add_share(told, way, "one_way_duplicated", &sum->repeated);
        add_variations(told, way);
        add_least(told, way);
        add_delays(told, way);
    }
    add_trips(told);
}

void timing_add_whys(const struct timing_told *told, const char *why)
{
    for (int i = 0; i < WAYS_OF_TWO; i++) {
        const enum way_of_two way = (enum way_of_two) i;

        finding_set_why(add_way(told, way, "one_way_loss", "ratio"), "%s", why);
        finding_set_why(add_way(told, way, "delay_variation_p50", "s"), "%s",
                        why);
    }
    finding_set_why(add(told, "rtt_stamped_loss", "ratio"), "%s", why);
}
