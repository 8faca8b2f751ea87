/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/feeding.h"
#include "reports/foreign.h"
#include "reports/shortfall_evidence.h"

#include <bothends/kinds/download.h>

/* From the logbook into one download's evidence. */

static double stations_of_plan(const struct plan *plan)
{
    double count = 0;

    for (size_t i = 0; i < plan->end_count; i++)
        count += plan->ends[i].role == ROLE_STATION
                 && plan_end_is_site(&plan->ends[i]);
    return fmax(count, (double) plan->link.stations_count);
}

/* The request, as far as it is known; else the ordered start. */
static int find_request(const struct reduction *reduction,
                        const struct exchange_record *exchange,
                        struct evidence *evidence, struct fault *fault)
{
    struct rows rows = { .row_size = sizeof(struct download_connection) };
    const struct account_record *receiver = &exchange->to_account;
    const int code = reduction_read_series(reduction, exchange, receiver,
                                           "connections", &rows, fault);

    for (size_t i = 0; i < rows.count; i++) {
        const struct download_connection *connection = rows_at(&rows, i);

        if (connection->request_ns
            && (!evidence->from_ns
                || connection->request_ns < evidence->from_ns))
            evidence->from_ns = connection->request_ns;
    }
    rows_clear(&rows);
    if (!evidence->from_ns)
        evidence->from_ns = feeding_ordered_ns(receiver);
    /* Nobody sends before the sender has begun. */
    if ((feeding_late_ns(&exchange->from_account)
         || feeding_late_ns(&exchange->to_account))
        && evidence->from_ns < feeding_begun_ns(exchange))
        evidence->from_ns = feeding_begun_ns(exchange);
    return code;
}

/*
 * A lost segment holds back those behind it.  Where TCP tells how many they
 * are, they count.  Else, where the planned end falls into such a hold, what
 * has crossed by then comes with the next arrival: the span goes on until what
 * came at once is there.  A gap after which little comes at once is none, and
 * the span ends in it as planned.
 */
static uint64_t beyond_hold(const struct evidence *evidence,
                            const struct arrivals *arrivals, uint64_t until_ns)
{
    const size_t before = arrivals_until(arrivals, until_ns);
    const double cycle_s = isnan(evidence->cycle_s) ? 0 : evidence->cycle_s;

    if (!before || before == arrivals->count)
        return until_ns;
    const uint64_t last_ns = arrivals->at_ns[before - 1];
    const uint64_t over_ns =
        arrivals->at_ns[before] + (uint64_t) (CAME_CYCLES * cycle_s * 1e9);
    const double gap_s = (double) (arrivals->at_ns[before] - last_ns) * 1e-9;
    const double came_bytes =
        arrivals->sum_bytes[arrivals_until(arrivals, over_ns) - 1]
        - arrivals->sum_bytes[before - 1];

    return gap_s > HOLD_LEAST_CYCLES * cycle_s
                   && came_bytes * BITS_PER_BYTE / evidence->expected_bps
                          > OUTAGE_CAME_RATIO * gap_s
               ? over_ns
               : until_ns;
}

/* Where the sender fed until a planned time, the span ends then, also when
 * nothing came any more; else with the last arrival. */
static void find_span(const struct exchange_record *exchange,
                      const struct arrivals *arrivals, const struct rows *tcp,
                      struct evidence *evidence)
{
    const struct download_spec *spec = (const void *) exchange->spec.bytes;
    const struct account_record *receiver = &exchange->to_account;
    const uint64_t start_ns = feeding_begun_ns(exchange);
    const uint64_t last_ns = arrivals->count
                                 ? arrivals->at_ns[arrivals->count - 1]
                                 : receiver->account.ended_ns;

    evidence->tells_held = evidence_tells_quiet(tcp);
    evidence->until_ns = last_ns;
    if (exchange->has_spec && spec->for_ns
        && (receiver->account.ended_ns >= start_ns + spec->for_ns
            || last_ns > start_ns + spec->for_ns))
        evidence->until_ns =
            evidence->tells_held
                ? start_ns + spec->for_ns
                : beyond_hold(evidence, arrivals, start_ns + spec->for_ns);
    if (evidence->until_ns > evidence->from_ns)
        evidence->span_s =
            (double) (evidence->until_ns - evidence->from_ns) * 1e-9;
    const size_t within = arrivals_until(arrivals, evidence->until_ns);

    evidence->content_bytes = within ? arrivals->sum_bytes[within - 1] : 0;
    if (evidence->tells_held)
        evidence->held_bytes = evidence_held_bytes(
            tcp, feeding_to_receiver_ns(exchange), evidence->until_ns);
    evidence->content_bytes += evidence->held_bytes;
    if (evidence->span_s > 0)
        evidence->measured_bps =
            evidence->content_bytes * BITS_PER_BYTE / evidence->span_s;
}

double evidence_likely_bps(const struct reduction *reduction,
                           const struct exchange_record *exchange,
                           const struct expectation *expectation)
{
    const int way = plan_is_hub(reduction->plan, exchange->from)
                        ? WAY_TO_STATION
                        : WAY_TO_HUB;
    const double likely_bps = expectation->ways[way].likely_bps[LAYER_FILE];
    const struct range range_bps = expectation->goodput_bps;

    if (isnan(likely_bps))
        return range_middle(range_bps);
    return fmin(fmax(likely_bps, range_bps.low), range_bps.high);
}

static void take_expectation(const struct reduction *reduction,
                             const struct exchange_record *exchange,
                             struct evidence *evidence)
{
    const struct expectation *expectation =
        reduction_expectation(reduction, exchange);

    evidence->expected = expectation->goodput_bps;
    evidence->expected_bps =
        evidence_likely_bps(reduction, exchange, expectation);
    evidence->cycle_s = expectation->cycle_ns.high * 1e-9;
    evidence->plan_stations_count = stations_of_plan(reduction->plan);
}

static void take_foreign(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         struct evidence *evidence)
{
    const struct account_record *accounts[] = { &exchange->from_account,
                                                &exchange->to_account };

    for (size_t i = 0; i < COUNT_OF(accounts); i++) {
        struct foreign foreign;

        if (!foreign_weigh(reduction, exchange, accounts[i], &foreign)
            || foreign.bytes <= evidence->foreign_bytes)
            continue;
        evidence->foreign_bytes = foreign.bytes;
        evidence->foreign_share_ratio = foreign.share_ratio;
        (void) snprintf(evidence->foreign_end, sizeof(evidence->foreign_end),
                        "%s", accounts[i]->end);
    }
}

static void take_loopback(const struct contact_records *contact,
                          const struct exchange_record *exchange,
                          struct evidence *evidence)
{
    for (size_t i = 0; i < contact->ends.count; i++) {
        const struct contact_end *end = rows_at(&contact->ends, i);

        if ((strcmp(end->end, exchange->from) == 0
             || strcmp(end->end, exchange->to) == 0)
            && end->loopback_bps > 0
            && (evidence->loopback_bps <= 0
                || end->loopback_bps < evidence->loopback_bps))
            evidence->loopback_bps = end->loopback_bps;
    }
}

static int read_samples(const struct reduction *reduction,
                        const struct exchange_record *exchange,
                        struct arrivals *arrivals, struct rows *tcp,
                        struct fault *fault)
{
    int code = reduction_read_arrivals(reduction, exchange,
                                       &exchange->to_account, arrivals, fault);

    if (!code && exchange->from_account.is_there)
        code = reduction_read_series(
            reduction, exchange, &exchange->from_account, "tcp", tcp, fault);
    return code;
}

int evidence_sources_open(const struct reduction *reduction,
                          struct evidence_sources *ret_sources,
                          struct fault *fault)
{
    lookup_init(&ret_sources->pings);
    evidence_find_pings(reduction, &ret_sources->pings);
    return contact_records_load(reduction->logbook, reduction->run.run,
                                &ret_sources->contact, fault);
}

void evidence_sources_clear(struct evidence_sources *sources)
{
    contact_records_clear(&sources->contact);
    lookup_clear(&sources->pings);
}

int evidence_gather(const struct reduction *reduction,
                    const struct evidence_sources *sources, size_t exchange,
                    struct evidence *ret_evidence, struct fault *fault)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    struct rows tcp = { .row_size = sizeof(struct download_tcp) };
    struct arrivals arrivals = { 0 };

    *ret_evidence = (struct evidence){ .exchange = exchange };
    int code = read_samples(reduction, record, &arrivals, &tcp, fault);

    if (!code)
        code = find_request(reduction, record, ret_evidence, fault);
    if (!code) {
        take_expectation(reduction, record, ret_evidence);
        find_span(record, &arrivals, &tcp, ret_evidence);
        evidence_take_tcp(ret_evidence, &arrivals, &tcp,
                          feeding_to_receiver_ns(record));
        take_foreign(reduction, record, ret_evidence);
        take_loopback(&sources->contact, record, ret_evidence);
        evidence_take_echoes(reduction, &sources->pings, ret_evidence);
        evidence_take_readings(reduction, ret_evidence);
    }
    arrivals_clear(&arrivals);
    rows_clear(&tcp);
    return code;
}
