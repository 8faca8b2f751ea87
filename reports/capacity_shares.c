/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * Who gets how much when several flows run together.  The likely shares come
 * from the turns of the access.  The entitled ones spend the same airtime, but
 * evenly: max-min fair, with what each flow costs in airtime, its
 * acknowledgements included.
 */

/* The turn of an end: the hub's is 0, the stations follow in the plan's
 * order. */
static size_t turn_of(const struct plan *plan, size_t end)
{
    size_t turn = 1;

    if (plan->ends[end].role == ROLE_HUB)
        return 0;
    for (size_t i = 0; i < end; i++)
        turn += plan->ends[i].role == ROLE_STATION
                && plan_end_is_site(&plan->ends[i]);
    return turn;
}

static double shown_bps(const struct channel *channel,
                        const struct stream *stream)
{
    return stream->traffic == TRAFFIC_TCP
               ? stream->tcp_bps * framing_left_likely(channel)
               : stream->ip_bps;
}

/* The same airtime, evenly, among the streams that go one way on a channel of
 * their own, or all of them. */
static void entitle(const struct channel *channel, const struct stream *streams,
                    size_t count, bool is_own_way, bool is_from_hub,
                    double *ret_bps)
{
    double wanted[PLAN_GROUP_MAX] = { 0 };
    double cost[PLAN_GROUP_MAX] = { 0 };
    double shares[PLAN_GROUP_MAX] = { 0 };
    size_t of[PLAN_GROUP_MAX];
    size_t found = 0;
    double whole = 0;

    for (size_t i = 0; i < count; i++) {
        const double bps = shown_bps(channel, &streams[i]);

        if (is_own_way && (streams[i].from == 0) != is_from_hub)
            continue;
        wanted[found] = streams[i].wanted_bps;
        cost[found] = streams[i].airtime_ratio / bps;
        whole += streams[i].airtime_ratio;
        of[found++] = i;
    }
    capacity_max_min(whole, wanted, cost, found, shares);
    for (size_t i = 0; i < found; i++)
        ret_bps[of[i]] = shares[i];
}

/* As wide as the expectation of one alone is. */
static struct range as_wide(double bps, const struct carried *carried,
                            int traffic)
{
    const int layer = traffic == TRAFFIC_TCP ? LAYER_FILE : LAYER_IP;
    const struct range alone = carried->layers_bps[layer];
    const double likely = carried->likely_bps[layer];

    return range_of(bps * smaller(1, alone.low / likely),
                    bps * larger(1, alone.high / likely));
}

static void unsay(struct capacity_share *shares, size_t count)
{
    for (size_t i = 0; i < count; i++)
        shares[i] = (struct capacity_share){ range_unsaid(), (double) NAN,
                                             (double) NAN };
}

void capacity_shares(const struct plan *plan, const struct plan_step *step,
                     const struct situation *situation,
                     const struct capacity_demand *demands, size_t count,
                     struct capacity_share *ret_shares)
{
    static const struct situation nothing;
    const struct channel channel =
        channel_of(plan, step, situation ? situation : &nothing);
    const struct channel likely = channel_likely(&channel);
    const bool is_duplex = channel.access == ACCESS_FULL_DUPLEX;
    struct expectation alone;
    struct stream streams[PLAN_GROUP_MAX];
    double entitled[PLAN_GROUP_MAX] = { 0 };
    struct rates rates;

    unsay(ret_shares, count);
    if (!range_is_said(channel.rate_bps) || !count || count > PLAN_GROUP_MAX)
        return;
    capacity_expect_when(plan, step, situation ? situation : &nothing, &alone);
    for (size_t i = 0; i < count; i++)
        streams[i] = (struct stream){
            .from = turn_of(plan, demands[i].from),
            .to = turn_of(plan, demands[i].to),
            .traffic = demands[i].traffic,
            .wanted_bps = demands[i].wanted_bps > 0 ? demands[i].wanted_bps
                                                    : (double) INFINITY,
        };
    streams_run(&likely, streams, count, &rates);
    if (!(streams[0].ip_bps > 0)) /* not known, or nothing gets through */
        return;
    entitle(&likely, streams, count, is_duplex, true, entitled);
    if (is_duplex)
        entitle(&likely, streams, count, is_duplex, false, entitled);
    for (size_t i = 0; i < count; i++) {
        const int way = streams[i].from ? WAY_TO_HUB : WAY_TO_STATION;

        ret_shares[i].entitled_bps =
            as_wide(entitled[i], &alone.ways[way], streams[i].traffic);
        ret_shares[i].likely_bps = shown_bps(&likely, &streams[i]);
        /* Losses hold each by itself as much as one alone. */
        if (streams[i].traffic == TRAFFIC_TCP
            && range_is_said(channel.loss_ratio))
            ret_shares[i].likely_bps =
                smaller(ret_shares[i].likely_bps,
                        alone.ways[way].likely_bps[LAYER_FILE]);
        ret_shares[i].airtime_ratio = streams[i].airtime_ratio;
    }
}

static void trip_on(const struct channel *channel, const struct plan *plan,
                    const struct packet_trip *packets,
                    struct round_trip *ret_trip)
{
    if (!range_is_said(channel->rate_bps)) {
        *ret_trip =
            (struct round_trip){ range_unsaid(), range_unsaid(), range_unsaid(),
                                 (double) NAN,   (double) NAN,   range_unsaid(),
                                 range_unsaid(), range_unsaid() };
        return;
    }
    expect_trip(channel, turn_of(plan, packets->from),
                turn_of(plan, packets->to), packets->there_bytes,
                packets->back_bytes, ret_trip);
}

void capacity_round_trip(const struct plan *plan, const struct plan_step *step,
                         const struct situation *situation, size_t from,
                         size_t to, struct round_trip *ret_trip)
{
    static const struct situation nothing;
    const struct channel channel =
        channel_of(plan, step, situation ? situation : &nothing);
    const double bytes =
        channel.echo_bytes + ECHO_HEADER_BYTES + channel.ip_header_bytes;

    trip_on(&channel, plan, &(struct packet_trip){ from, to, bytes, bytes },
            ret_trip);
}

void capacity_packet_trip(const struct plan *plan, const struct plan_step *step,
                          const struct packet_trip *packets,
                          struct round_trip *ret_trip)
{
    static const struct situation nothing;
    const struct channel channel = channel_of(plan, step, &nothing);
    const double header_bytes = channel.ip_header_bytes;
    struct packet_trip whole = *packets;

    whole.there_bytes += header_bytes;
    whole.back_bytes += header_bytes;
    trip_on(&channel, plan, &whole, ret_trip);
}
