/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/download.h"

#include "reports/arrivals.h"
#include "reports/feeding.h"
#include "reports/pixel_columns.h"
#include "reports/steadiness.h"
#include "reports/table.h"

/*
 * What downloads say.  Goodput of a whole transfer: content bytes / (last
 * arrival - request sent): one value a transfer (RFC 3148).  Steady goodput:
 * the record of arrivals is cut into whole access cycles, the warm-up is
 * dropped by MSER-5, and the interval comes from batch means.
 */
/* A week of the shortest cycles; beyond, a stamp is wrong. */
#define CYCLES_MOST 10000000

/* Without an expected cycle the record is cut into this many intervals. */
static const double intervals_without_cycle = 60;
static const size_t curve_points_most = 150;
/* Nothing arrived: for so long, for so many cycles, and for so many times what
 * lies between two arrivals on average (others have their turns too). */
static const double gap_least_s = 2;
static const double gap_least_cycles = 8;
static const double gap_least_arrivals = 5;

/* One transfer at its receiver. */
struct transfer {
    struct arrivals arrivals;
    uint64_t request_ns; /* 0: not known */
    uint64_t until_ns;   /* arrivals after this are the tail */
    double cycle_ns;     /* the interval of the record */
    bool is_cycle_known;
    size_t cycle_count; /* whole ones in the span */
    double *rates_bps;  /* one a cycle */
};

static const struct download_spec *
spec_of(const struct exchange_record *exchange)
{
    return (const void *) exchange->spec.bytes;
}

static const struct looks_outcome *
looks_of(const struct exchange_record *exchange)
{
    const struct download_outcome *outcome =
        (const void *) exchange->to_account.account.outcome.bytes;

    return &outcome->looks;
}

/* --- one transfer --------------------------------------------------------- */

static uint64_t first_request_ns(const struct rows *connections)
{
    uint64_t first_ns = 0;

    for (size_t i = 0; i < connections->count; i++) {
        const struct download_connection *connection = rows_at(connections, i);

        if (connection->request_ns
            && (!first_ns || connection->request_ns < first_ns))
            first_ns = connection->request_ns;
    }
    return first_ns;
}

static int read_transfer(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         struct transfer *transfer, struct fault *fault)
{
    const struct account_record *receiver = &exchange->to_account;
    struct rows connections = { .row_size =
                                    sizeof(struct download_connection) };
    *transfer = (struct transfer){ .until_ns = UINT64_MAX };
    int code = reduction_read_arrivals(reduction, exchange, receiver,
                                       &transfer->arrivals, fault);

    if (!code)
        code = reduction_read_series(reduction, exchange, receiver,
                                     "connections", &connections, fault);
    if (!code) {
        transfer->request_ns = first_request_ns(&connections);
        /* What ended by itself, known well enough, was fed to its end. */
        if (exchange->has_spec && download_feed_ns(spec_of(exchange))
            && looks_of(exchange)->ended_by != LOOKS_WITHIN)
            transfer->until_ns = feeding_begun_ns(exchange)
                                 + download_feed_ns(spec_of(exchange));
    }
    rows_clear(&connections);
    return code;
}

/* Cut from the first arrival on, as far as whole cycles go. */
static void cut_cycles(const struct reduction *reduction,
                       const struct exchange_record *exchange,
                       struct transfer *transfer)
{
    const struct range cycle_ns =
        reduction_expectation(reduction, exchange)->cycle_ns;
    const size_t within =
        arrivals_until(&transfer->arrivals, transfer->until_ns);

    if (within < 2)
        return;
    const uint64_t first_ns = transfer->arrivals.at_ns[0];
    const double span_ns =
        (double) (transfer->arrivals.at_ns[within - 1] - first_ns);

    transfer->is_cycle_known =
        range_is_said(cycle_ns) && range_middle(cycle_ns) > 0;
    transfer->cycle_ns = transfer->is_cycle_known
                             ? range_middle(cycle_ns)
                             : span_ns / intervals_without_cycle;
    if (!(span_ns / transfer->cycle_ns < CYCLES_MOST))
        return;
    transfer->cycle_count =
        (size_t) (span_ns / transfer->cycle_ns * (1 + 1e-9));
    transfer->rates_bps =
        arrivals_rates_bps(&transfer->arrivals, first_ns, transfer->cycle_ns,
                           transfer->cycle_count);
}

static void transfer_clear(struct transfer *transfer)
{
    arrivals_clear(&transfer->arrivals);
    free(transfer->rates_bps);
}

/* --- findings of one transfer --------------------------------------------- */

static void keep_value(struct reduction *reduction, size_t exchange, int what,
                       const struct mean_error *level)
{
    struct value_record *value = rows_add(&reduction->values);

    value->exchange = exchange;
    value->what = what;
    value->level = *level;
}

/* With the last arrival; where nothing came any more while data were fed, when
 * that was over, or the exchange was. */
static uint64_t whole_over_ns(const struct exchange_record *exchange,
                              const struct transfer *transfer)
{
    const struct arrivals *arrivals = &transfer->arrivals;
    const uint64_t last_ns = arrivals->at_ns[arrivals->count - 1];
    const uint64_t ended_ns = exchange->to_account.account.ended_ns;
    const bool is_timed =
        exchange->has_spec && spec_of(exchange)->for_ns && ended_ns > last_ns;
    const uint64_t fed_ns =
        transfer->until_ns < ended_ns ? transfer->until_ns : ended_ns;

    return is_timed && fed_ns > last_ns ? fed_ns : last_ns;
}

static void add_whole(struct reduction *reduction, size_t exchange,
                      const struct transfer *transfer)
{
    const struct arrivals *arrivals = &transfer->arrivals;
    const struct exchange_record *exchange_of =
        reduction_exchange(reduction, exchange);
    struct finding *finding =
        reduction_add_finding(reduction, exchange_of, "goodput_whole", "bit/s");

    if (!arrivals->count) {
        finding_set_why(finding, NOTHING_ARRIVED);
        return;
    }
    const uint64_t over_ns = whole_over_ns(exchange_of, transfer);

    finding->samples_count = 1;
    if (!transfer->request_ns || over_ns <= transfer->request_ns) {
        finding_set_why(finding, "when the request was sent is not known");
        return;
    }
    finding->value = 8 * arrivals->sum_bytes[arrivals->count - 1] * 1e9
                     / (double) (over_ns - transfer->request_ns);
    finding_set_why(finding, "one transfer has no interval");
    keep_value(reduction, exchange, VALUE_WHOLE,
               &(struct mean_error){ .mean = finding->value });
}

static void add_steady(struct reduction *reduction, size_t exchange,
                       const struct transfer *transfer,
                       const struct steady *steady)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const struct expectation *expectation =
        reduction_expectation(reduction, record);
    struct finding *finding =
        reduction_add_finding(reduction, record, "goodput_steady", "bit/s");
    const size_t kept = steady->count - steady->cut_count;
    const struct estimate estimate =
        steadiness_estimate(steady, steadiness_level(looks_of(record)));

    if (steady->lack != STEADY_ENOUGH) {
        finding->samples_count = transfer->cycle_count;
        steadiness_why(steady, finding->why, sizeof(finding->why));
        finding_judge(finding, expectation->goodput_bps, expectation->source,
                      (double) NAN);
        return;
    }
    finding_set(finding, &estimate, kept - steady->batches.left_over);
    finding_judge(finding, expectation->goodput_bps, expectation->source,
                  (double) kept * transfer->cycle_ns * 1e-9);
    keep_value(reduction, exchange, VALUE_STEADY,
               &(struct mean_error){ estimate.value, steady->error,
                                     (double) steady->degrees });
}

static void add_method(struct reduction *reduction,
                       const struct exchange_record *exchange,
                       const struct transfer *transfer,
                       const struct steady *steady)
{
    const double cycle_s = transfer->cycle_ns * 1e-9;
    const char *cycle_name =
        transfer->is_cycle_known ? "cycles" : "intervals (cycle not known)";
    char warm_up[48] = "no warm-up showed";

    if (steady->lack != STEADY_ENOUGH || !transfer->cycle_count)
        return;
    if (steady->cut_count)
        (void) snprintf(warm_up, sizeof(warm_up),
                        "the first %.1f s were warm-up",
                        (double) steady->cut_count * cycle_s);
    reduction_add_sentence(
        &reduction->details,
        "Download %s → %s on step %s, round %llu: %zu %s of %.3f s; %s; %zu "
        "batches of %.1f s, lag-1 correlation %.2f.",
        exchange->from, exchange->to, exchange->step,
        (unsigned long long) exchange->round, transfer->cycle_count, cycle_name,
        cycle_s, warm_up, steady->batches.batch_count,
        (double) steady->batches.batch_length * cycle_s,
        isnan(steady->batches.lag1) ? 0 : steady->batches.lag1);
}

static void add_gap(struct curve *curve, double least_s, double from_s,
                    double to_s)
{
    if (to_s - from_s < least_s)
        return;
    struct curve_gap *gap = rows_add(&curve->gaps);

    *gap = (struct curve_gap){ from_s, to_s };
}

/* Between arrivals, and from the last one until the feeding time was over. */
static void add_gaps(struct curve *curve, const struct transfer *transfer)
{
    const struct arrivals *arrivals = &transfer->arrivals;
    const size_t within = arrivals_until(arrivals, transfer->until_ns);
    const uint64_t first_ns = arrivals->at_ns[0];
    const double arrived_s =
        (double) (arrivals->at_ns[within - 1] - first_ns) * 1e-9;
    const double least_s =
        fmax(fmax(gap_least_s, gap_least_cycles * transfer->cycle_ns * 1e-9),
             gap_least_arrivals * arrived_s / (double) within);
    double last_s = 0;

    for (size_t i = 1; i < within; i++) {
        const double at_s = (double) (arrivals->at_ns[i] - first_ns) * 1e-9;

        add_gap(curve, least_s, last_s, at_s);
        last_s = at_s;
    }
    curve->span_s = transfer->until_ns == UINT64_MAX
                        ? last_s
                        : (double) (transfer->until_ns - first_ns) * 1e-9;
    add_gap(curve, least_s, last_s, curve->span_s);
}

static void add_curve(struct reduction *reduction, size_t exchange,
                      const struct transfer *transfer,
                      const struct steady *steady)
{
    const size_t cycles_a_point = transfer->cycle_count / curve_points_most + 1;
    const size_t points = transfer->cycle_count / cycles_a_point;
    const double point_s = (double) cycles_a_point * transfer->cycle_ns * 1e-9;

    if (points < 2)
        return;
    struct curve *curve = reduction_add_curve(reduction, CURVE_RATE, exchange);

    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);

    /* It is for one alone. */
    if (strcmp(record->condition, "idle") == 0)
        curve->expected = reduction_expectation(reduction, record)->goodput_bps;
    if (steady->lack == STEADY_ENOUGH)
        curve->steady_from_s =
            (double) steady->cut_count * transfer->cycle_ns * 1e-9;
    for (size_t i = 0; i < points; i++) {
        struct point *point = rows_add(&curve->points);

        point->x = ((double) i + 0.5) * point_s;
        point->y = statistics_mean(transfer->rates_bps + i * cycles_a_point,
                                   cycles_a_point);
    }
    add_gaps(curve, transfer);
    /* What the means hide; of a short record they hide little. */
    for (size_t i = 0; cycles_a_point > 3 && i < transfer->cycle_count; i++)
        pixel_columns_add(&curve->columns,
                          ((double) i + 0.5) * transfer->cycle_ns * 1e-9,
                          curve->span_s, transfer->rates_bps[i]);
}

/* Segments that came twice though they were sent once: the link doubled them.
 */
static double doubled_bytes(const struct download_tcp *last)
{
    const double bytes =
        (double) last->needless_count * (double) last->segment_bytes;

    return fmax(0, bytes - (double) last->repeated_bytes);
}

/*
 * IP bytes of the exchange on the link: content, framing and what TCP sent
 * again, in segments with their headers, and an acknowledgement for every
 * segment or every second one (the middle of it).
 */
static int estimate_own_bytes(const struct reduction *reduction,
                              struct exchange_record *exchange,
                              const struct transfer *transfer,
                              struct fault *fault)
{
    const struct arrivals *arrivals = &transfer->arrivals;
    struct rows rows = { .row_size = sizeof(struct download_tcp) };
    double sent_bytes[16] = { 0 };
    double segment_bytes = 0;
    double payload_bytes = 0;
    int code = 0;

    if (exchange->from_account.is_there)
        code = reduction_read_series(
            reduction, exchange, &exchange->from_account, "tcp", &rows, fault);
    for (size_t i = 0; i < rows.count; i++) {
        const struct download_tcp *tcp = rows_at(&rows, i);
        const double bytes = (double) tcp->sent_bytes + doubled_bytes(tcp);

        if (tcp->connection < COUNT_OF(sent_bytes))
            sent_bytes[tcp->connection] =
                fmax(sent_bytes[tcp->connection], bytes);
        segment_bytes = (double) tcp->segment_bytes;
    }
    rows_clear(&rows);
    for (size_t i = 0; i < COUNT_OF(sent_bytes); i++)
        payload_bytes += sent_bytes[i];
    const double content_bytes =
        arrivals->count ? arrivals->sum_bytes[arrivals->count - 1] : 0;

    /* The last look at TCP may be a moment before the end. */
    if (payload_bytes < content_bytes)
        payload_bytes = content_bytes;
    if (segment_bytes < 1)
        segment_bytes = (double) reduction->plan->link.mtu_bytes
                        - IPV4_HEADER_BYTES - TCP_HEADER_BYTES
                        - TCP_TIMESTAMP_BYTES;
    const double header_bytes =
        IPV4_HEADER_BYTES + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES;

    if (segment_bytes >= 1)
        exchange->own_bytes =
            payload_bytes + 1.75 * header_bytes * payload_bytes / segment_bytes;
    return code;
}

static void doubt_too_fast(struct reduction *reduction,
                           const struct exchange_record *exchange)
{
    const struct range channel_bps =
        reduction_expectation(reduction, exchange)->channel_bps;
    const struct value_record *value =
        reduction->values.count
            ? rows_at(&reduction->values, reduction->values.count - 1)
            : NULL;

    if (!value || !range_is_said(channel_bps)
        || reduction_exchange(reduction, value->exchange) != exchange
        || value->level.mean <= channel_bps.high)
        return;
    reduction_add_sentence(
        &reduction->doubts,
        "The goodput from %s to %s on step %s (%.1f kbit/s) is above the "
        "channel's own bit rate (%.1f kbit/s): traffic went round the radio, "
        "or the step is not the one stated.",
        exchange->from, exchange->to, exchange->step, value->level.mean * 1e-3,
        channel_bps.high * 1e-3);
}

static void add_missing(struct reduction *reduction,
                        const struct exchange_record *exchange, const char *why)
{
    static const char *const measures[] = { "goodput_whole", "goodput_steady" };
    const struct expectation *expectation =
        reduction_expectation(reduction, exchange);

    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        struct finding *finding =
            reduction_add_finding(reduction, exchange, measures[i], "bit/s");

        finding_set_why(finding, "%s", why);
        if (i) /* as of one that is there: to be seen beside the others */
            finding_judge(finding, expectation->goodput_bps,
                          expectation->source, (double) NAN);
    }
}

static int reduce(struct reduction *reduction, size_t exchange,
                  struct fault *fault)
{
    struct exchange_record *record = reduction_exchange(reduction, exchange);
    struct transfer transfer;
    char why[160];

    if (reduction_is_account_missing(&record->to_account, record->to, why,
                                     sizeof(why))) {
        add_missing(reduction, record, why);
        return 0;
    }
    int code = read_transfer(reduction, record, &transfer, fault);

    if (!code) {
        cut_cycles(reduction, record, &transfer);
        const struct steady steady =
            steady_find(transfer.rates_bps, transfer.cycle_count);

        add_whole(reduction, exchange, &transfer);
        add_steady(reduction, exchange, &transfer, &steady);
        add_method(reduction, record, &transfer, &steady);
        add_curve(reduction, exchange, &transfer, &steady);
        doubt_too_fast(reduction, record);
        if (record->has_spec)
            steadiness_add_end(reduction, record, looks_of(record),
                               spec_of(record)->within_ratio, "steady goodput");
        code = estimate_own_bytes(reduction, record, &transfer, fault);
        if (!code)
            code = download_add_tcp(reduction, exchange, fault);
    }
    transfer_clear(&transfer);
    return code;
}

const struct report_kind download_report = {
    .name = "download",
    .reduce = reduce,
    .combine = download_combine,
    .definition =
        "Goodput counts content bytes that arrived at the receiving "
        "application, never headers or repeats. Steady goodput: arrivals "
        "until the feeding time was over are cut into whole access cycles; "
        "a warm-up that shows is dropped by MSER-5; the interval is Student's "
        "t over batch means of whole cycles (at least 30 cycles and 10 "
        "batches), widened by what correlation is left between them. "
        "The whole transfer is content divided by the time from the request "
        "to the last arrival (where nothing came any more, until the feeding "
        "time was over).",
};
