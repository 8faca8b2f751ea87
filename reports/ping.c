/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/answers.h"
#include "reports/cumulative.h"
#include "reports/doubts_ways.h"
#include "reports/losses.h"
#include "reports/overtaking.h"
#include "reports/percentile.h"
#include "reports/repeats.h"
#include "reports/steadiness.h"
#include "reports/table.h"

/*
 * What pings say: round-trip percentiles of all sent (a lost probe is infinite:
 * RFC 2681 section 4) and of those answered (RFC 6703 section 5), and loss (RFC
 * 6673).  The first probe after a pause may have waited for address resolution
 * or an idle radio: it counts for loss, and its time is a figure of its own.
 */

/*
 * A probe is kept as one number, for there may be millions: its round trip in
 * seconds, INFINITY when it was lost; negative when it was the first after a
 * pause.
 */
static double kept_of(const struct ping_probe *probe)
{
    const bool is_answered =
        probe->state == PROBE_ANSWERED && probe->rtt_ns > 0;
    const double rtt_s =
        is_answered ? (double) probe->rtt_ns * 1e-9 : (double) INFINITY;

    return probe->after_pause ? -rtt_s : rtt_s;
}

static const struct {
    const char *all, *answered;
    double share;
} percentiles[] = {
    { "rtt_p50", "rtt_answered_p50", 0.50 },
    { "rtt_p90", "rtt_answered_p90", 0.90 },
    { "rtt_p95", "rtt_answered_p95", 0.95 },
    { "rtt_p99", "rtt_answered_p99", 0.99 },
};

/* The expectation is for the ping's preset size; another size takes another
 * time. */
static const uint64_t expected_size_bytes = 56;

/* Delays of one exchange, or of the same one in all rounds. */
struct delays {
    size_t exchange; /* index */
    bool is_all_rounds;
    double *sorted_s; /* without those after a pause; lost last */
    size_t count, answered_count;
    struct losses losses; /* all of them */
    double after_pause_s; /* the last one; NaN: none */
    double level_ratio;   /* for the medians */
};

static const struct looks_outcome *
looks_of(const struct exchange_record *exchange)
{
    const struct ping_outcome *outcome =
        (const void *) exchange->from_account.account.outcome.bytes;

    return &outcome->looks;
}

static void take_probe(struct delays *delays, double kept)
{
    const double rtt_s = fabs(kept);

    losses_add(&delays->losses, isinf(rtt_s) != 0);
    if (kept < 0) {
        delays->after_pause_s = rtt_s;
        return;
    }
    delays->sorted_s[delays->count++] = rtt_s;
    delays->answered_count += isinf(rtt_s) == 0;
}

static void take_exchange(const struct reduction *reduction,
                          const struct exchange_record *exchange,
                          struct delays *delays)
{
    for (size_t i = 0; i < exchange->probe_count; i++)
        take_probe(delays, *(const double *) rows_at(
                               &reduction->probes, exchange->first_probe + i));
}

/* The next one that is put together with it; the count of all: none. */
static size_t next_gathered(const struct reduction *reduction, size_t exchange,
                            const struct delays *delays)
{
    return delays->is_all_rounds ? repeats_next(reduction, exchange)
                                 : reduction->exchanges.count;
}

static void gather(const struct reduction *reduction, size_t exchange,
                   bool is_all_rounds, struct delays *delays)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const size_t end = reduction->exchanges.count;
    size_t count = 0;

    *delays =
        (struct delays){ .exchange = exchange,
                         .is_all_rounds = is_all_rounds,
                         .after_pause_s = (double) NAN,
                         .level_ratio = steadiness_level(looks_of(record)) };
    for (size_t i = exchange; i < end; i = next_gathered(reduction, i, delays))
        count += reduction_exchange(reduction, i)->probe_count;
    delays->sorted_s = calloc(count + 1, sizeof(*delays->sorted_s));
    if (!delays->sorted_s)
        abort();
    for (size_t i = exchange; i < end; i = next_gathered(reduction, i, delays))
        take_exchange(reduction, reduction_exchange(reduction, i), delays);
    quantile_sort(delays->sorted_s, delays->count);
}

static struct finding *add(struct reduction *reduction,
                           const struct delays *delays, const char *measure,
                           const char *unit)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, delays->exchange);

    return delays->is_all_rounds
               ? reduction_add_combined(reduction, record, measure, unit)
               : reduction_add_finding(reduction, record, measure, unit);
}

static void add_percentile(struct reduction *reduction,
                           const struct delays *delays, const char *measure,
                           double share, size_t count)
{
    percentile_set(
        add(reduction, delays, measure, "s"), delays->sorted_s, count, share,
        share == percentiles[0].share ? delays->level_ratio : CONFIDENCE_LEVEL,
        "probes");
}

static bool is_expected(const struct exchange_record *record)
{
    const struct ping_spec *spec = (const void *) record->spec.bytes;

    return record->has_spec && spec->size_bytes == expected_size_bytes
           && record->to_account.is_there
           && strcmp(record->condition, "idle") == 0;
}

/* The wait for a slot is uniform, so the median is the mean.  No verdict: an
 * echo that is slower or quicker is a matter for the doubts. */
static void expect_rtt(struct reduction *reduction,
                       const struct exchange_record *record, size_t finding,
                       struct range expected_ns)
{
    const struct expectation *expectation =
        reduction_expectation(reduction, record);
    struct finding *found = rows_at(&reduction->findings, finding);

    if (!range_is_said(expected_ns) || !is_expected(record))
        return;
    found->expected_low = expected_ns.low * 1e-9;
    found->expected_high = expected_ns.high * 1e-9;
    (void) snprintf(
        found->expected_source, sizeof(found->expected_source), "%s",
        expectation->is_trip_referred ? expectation->source : "computed");
}

static void add_least(struct reduction *reduction, const struct delays *delays)
{
    struct finding *finding = add(reduction, delays, "rtt_least", "s");

    finding->samples_count = delays->answered_count;
    if (!delays->answered_count) {
        finding_set_why(finding, "no probe was answered");
        return;
    }
    finding->value = delays->sorted_s[0];
    finding_set_why(finding, "the least of a sample has no interval");
}

static void add_loss(struct reduction *reduction, const struct delays *delays)
{
    struct finding *finding = add(reduction, delays, "loss", "ratio");
    const struct estimate estimate =
        losses_interval(&delays->losses, CONFIDENCE_LEVEL);

    finding_set(finding, &estimate, delays->losses.count);
    if (!delays->losses.count)
        finding_set_why(finding, "no probe was sent");
}

static void add_findings(struct reduction *reduction,
                         const struct delays *delays)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, delays->exchange);
    const struct expectation *expectation =
        reduction_expectation(reduction, record);
    const size_t first = reduction->findings.count;

    for (size_t i = 0; i < COUNT_OF(percentiles); i++)
        add_percentile(reduction, delays, percentiles[i].all,
                       percentiles[i].share, delays->count);
    expect_rtt(reduction, record, first, expectation->mean_rtt_ns);
    for (size_t i = 0; i < COUNT_OF(percentiles); i++)
        add_percentile(reduction, delays, percentiles[i].answered,
                       percentiles[i].share, delays->answered_count);
    add_least(reduction, delays);
    expect_rtt(reduction, record, reduction->findings.count - 1,
               expectation->least_rtt_ns);
    if (!delays->is_all_rounds && !isnan(delays->after_pause_s)) {
        struct finding *finding =
            add(reduction, delays, "rtt_after_pause", "s");

        finding->value = delays->after_pause_s;
        finding->samples_count = 1;
        finding_set_why(finding, "one probe has no interval");
    }
    add_loss(reduction, delays);
}

static void add_curve(struct reduction *reduction, const struct delays *delays)
{
    if (!delays->answered_count)
        return;
    struct curve *curve =
        reduction_add_curve(reduction, CURVE_CUMULATIVE, delays->exchange);
    const struct exchange_record *record =
        reduction_exchange(reduction, delays->exchange);
    const struct expectation *expectation =
        reduction_expectation(reduction, record);

    curve->is_all_rounds = delays->is_all_rounds;
    if (is_expected(record) && range_is_said(expectation->mean_rtt_ns))
        curve->expected =
            (struct range){ expectation->mean_rtt_ns.low * 1e-9,
                            expectation->mean_rtt_ns.high * 1e-9 };
    cumulative_fill(curve, delays->sorted_s, delays->count);
}

static void add_why(struct reduction *reduction,
                    const struct exchange_record *record, const char *why)
{
    static const char *const measures[] = { "rtt_p50", "loss" };

    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        struct finding *finding = reduction_add_finding(
            reduction, record, measures[i], i ? "ratio" : "s");

        finding_set_why(finding, "%s", why);
    }
}

/* A round trip that no light and no slot allows did not cross this radio. */
static void doubt_quick_echo(struct reduction *reduction,
                             const struct delays *delays)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, delays->exchange);
    const struct range least_ns =
        reduction_expectation(reduction, record)->least_rtt_ns;

    if (!range_is_said(least_ns) || !delays->answered_count
        || !is_expected(record))
        return;
    const double least_s =
        ways_least_echo_s(reduction, record, least_ns.low * 1e-9);

    if (delays->sorted_s[0] < 0.95 * least_s)
        reduction_add_sentence(
            &reduction->doubts,
            "The quickest round trip from %s to %s on step %s took %.1f ms; "
            "over this radio it can't be less than %.1f ms. Traffic went "
            "round the radio, or the step is not the one stated.",
            record->from, record->to, record->step, delays->sorted_s[0] * 1e3,
            least_s * 1e3);
}

static void keep_ttl(struct exchange_record *record,
                     const struct ping_probe *probe)
{
    if (!probe->ttl)
        return;
    if (!record->least_ttl || probe->ttl < record->least_ttl)
        record->least_ttl = probe->ttl;
    if (probe->ttl > record->most_ttl)
        record->most_ttl = probe->ttl;
}

static void doubt_refused_probes(struct reduction *reduction,
                                 const struct exchange_record *record)
{
    const struct ping_outcome *outcome =
        (const void *) record->from_account.account.outcome.bytes;

    if (outcome->unsent_count)
        reduction_add_sentence(
            &reduction->doubts,
            "The system of %s refused to send %llu of the probes to %s on "
            "step %s; they are not counted.",
            record->from, (unsigned long long) outcome->unsent_count,
            record->to, record->step);
    if (outcome->duplicates_count)
        reduction_add_sentence(
            &reduction->doubts,
            "%llu probes from %s to %s on step %s were answered more than "
            "once.",
            (unsigned long long) outcome->duplicates_count, record->from,
            record->to, record->step);
}

static void reduce_probes(struct reduction *reduction, size_t exchange)
{
    struct exchange_record *record = reduction_exchange(reduction, exchange);
    const struct ping_outcome *outcome =
        (const void *) record->from_account.account.outcome.bytes;
    struct delays delays;

    gather(reduction, exchange, false, &delays);
    add_findings(reduction, &delays);
    record->own_bytes =
        (double) outcome->wire_bytes
        * (double) (2 * delays.losses.count - delays.losses.lost_count);
    doubt_quick_echo(reduction, &delays);
    doubt_refused_probes(reduction, record);
    if (record->has_spec) {
        const struct ping_spec *spec = (const void *) record->spec.bytes;

        steadiness_add_end(reduction, record, looks_of(record),
                           spec->within_ratio, "median round trip");
    }
    free(delays.sorted_s);
}

/* One exchange while its probes come in. */
struct reading {
    struct reduction *reduction;
    struct exchange_record *exchange;
    struct curve *curve; /* its answers along time */
    uint64_t begun_ns;
    struct overtaking overtaking;
};

static void on_probe(void *owner, const void *record)
{
    struct reading *reading = owner;
    const struct ping_probe *probe = record;

    keep_ttl(reading->exchange, probe);
    reading->exchange->overlaps =
        reading->exchange->overlaps
        || overtaking_overlaps(&reading->overtaking, probe->sent_ns);
    if (probe->state == PROBE_ANSWERED && probe->received_ns)
        reading->exchange->overtaken_count += overtaking_add(
            &reading->overtaking, probe->sent_ns, probe->received_ns);
    if (probe->state == PROBE_UNSENT)
        return;
    const double kept = kept_of(probe);

    *(double *) rows_add(&reading->reduction->probes) = kept;
    answers_add(reading->curve,
                (double) (int64_t) (probe->sent_ns - reading->begun_ns) * 1e-9,
                fabs(kept));
    reading->exchange->probe_count++;
}

static int reduce(struct reduction *reduction, size_t exchange,
                  struct fault *fault)
{
    struct exchange_record *record = reduction_exchange(reduction, exchange);
    const struct exchange_account *account = &record->from_account.account;
    struct reading reading = { .reduction = reduction,
                               .exchange = record,
                               .begun_ns = account->begun_ns };
    struct ping_probe probe;
    const struct stream_to to = { &probe, sizeof(probe), on_probe, &reading };
    char why[160];

    if (reduction_is_account_missing(&record->from_account, record->from, why,
                                     sizeof(why))) {
        add_why(reduction, record, why);
        return 0;
    }
    record->first_probe = reduction->probes.count;
    reading.curve = reduction_add_curve(reduction, CURVE_ANSWERS, exchange);
    reading.curve->span_s =
        (double) (account->ended_ns - account->begun_ns) * 1e-9;
    const int code = reduction_stream_series(
        reduction, record, &record->from_account, "probes", "row", &to, fault);

    if (!code)
        reduce_probes(reduction, exchange);
    return code;
}

static void combine(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        struct delays delays;

        if (strcmp(reduction_exchange(reduction, i)->kind->name, "ping") != 0
            || !repeats_is_first(reduction, i))
            continue;
        const bool is_all_rounds =
            repeats_next(reduction, i) < reduction->exchanges.count;

        gather(reduction, i, is_all_rounds, &delays);
        if (is_all_rounds)
            add_findings(reduction, &delays);
        add_curve(reduction, &delays);
        free(delays.sorted_s);
    }
}

const struct report_kind ping_report = {
    .name = "ping",
    .reduce = reduce,
    .combine = combine,
    .definition =
        "Round trips are from the first bit sent to the answer received (RFC "
        "2681); a probe without one in the waiting time is lost (RFC 6673), "
        "even if its answer comes later. A percentile is the smallest value at "
        "or below which that "
        "share of the probes lies (RFC 2330 section 11.3); of all sent, a "
        "lost probe counts as infinite. Its interval is between two order "
        "statistics. A percentile is given from 6 (p50), 36 (p90), 72 (p95) "
        "or 368 (p99) probes on. The loss has Wilson's interval, with fewer "
        "probes than there "
        "are where losses came in bursts. The first "
        "probe after a pause counts for the loss only.",
};
