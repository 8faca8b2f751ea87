/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"

#include "reports/bandwidth.h"
#include "reports/capacity_parts.h"

#include <stdio.h>
#include <string.h>

const char *const capacity_layers[LAYER_COUNT] = {
    "channel bits", "coded bits", "frames", "IP", "UDP", "TCP", "file",
};

const char *const capacity_terms[TERM_COUNT] = {
    "not known", "air", "acknowledgements", "window", "loss",
};

struct range capacity_channel_bps(const struct plan_step *step)
{
    if (!range_is_said(step->symbol_rate_bd) || step->levels < 2
        || !(step->code_rate_ratio > 0))
        return range_unsaid();
    return range_times(step->symbol_rate_bd,
                       log2((double) step->levels) * step->code_rate_ratio);
}

double capacity_bandwidth_hz(const struct plan_step *step)
{
    struct bandwidth bandwidth;

    bandwidth_of(step, &bandwidth);
    return bandwidth.hz;
}

static struct expectation nothing_said(void)
{
    struct expectation none = {
        .channel_bps = range_unsaid(),
        .ip_bps = range_unsaid(),
        .goodput_bps = range_unsaid(),
        .cycle_ns = range_unsaid(),
        .idle_cycle_ns = range_unsaid(),
        .least_rtt_ns = range_unsaid(),
        .mean_rtt_ns = range_unsaid(),
        .spread_rtt_ns = range_unsaid(),
        .likely_least_rtt_ns = (double) NAN,
        .likely_mean_rtt_ns = (double) NAN,
        .acks = { .spacing_ns = (double) NAN,
                  .timer_ns = range_unsaid(),
                  .segments = range_unsaid(),
                  .likely_segments = (double) NAN },
    };

    for (int way = 0; way < WAY_COUNT; way++) {
        for (int layer = 0; layer < LAYER_COUNT; layer++) {
            none.ways[way].layers_bps[layer] = range_unsaid();
            none.ways[way].likely_bps[layer] = (double) NAN;
        }
    }
    return none;
}

/* --- one way ------------------------------------------------------------- */

/* Frames that are lost and repeated take the air a second time. */
static void take_repeats(double arrive, struct stream *streams, size_t count,
                         struct rates *rates)
{
    for (size_t i = 0; i < count; i++) {
        streams[i].ip_bps *= arrive;
        streams[i].tcp_bps *= arrive;
    }
    rates->ip_bps *= arrive;
    rates->tcp_bps *= arrive;
}

void streams_run(const struct channel *channel, struct stream *streams,
                 size_t count, struct rates *ret_rates)
{
    if (channel->access == ACCESS_CONTENTION)
        contention_run(channel, streams, count, ret_rates);
    else
        turns_run(channel, streams, count, ret_rates);
    if (channel->frame_loss_ratio > 0)
        take_repeats(1 - channel->frame_loss_ratio, streams, count, ret_rates);
}

static void access_bounds(const struct channel *channel, int way,
                          struct bounds *bounds)
{
    switch ((enum link_access) channel->access) {
    case ACCESS_SCHEDULED:
    case ACCESS_ALTERNATING:
        turns_bounds(channel, bounds);
        return;
    case ACCESS_CONTENTION:
        contention_bounds(channel, bounds);
        return;
    case ACCESS_FULL_DUPLEX:
        duplex_bounds(channel, way, bounds);
        return;
    }
}

static double two_cycles_s(const struct channel *channel)
{
    const double turns = 1 + channel->stations_count;

    if (channel->slots == SLOTS_FIXED && range_is_said(channel->limit_s))
        return 2 * turns * channel->limit_s.high;
    return 4 * turns * (channel->overhead_s.high + channel->least_s.high);
}

/*
 * A window that is not open: at the best it goes round in two transmissions
 * that carry nothing else, at the worst in two whole cycles, and only whole
 * segments of it.
 */
static void close_window(const struct channel *channel, struct bounds *bounds)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const struct capacity_flow best = flow_on(channel, BEST);
    const double worst_segments =
        larger(1, floor(channel->window_bytes / channel->mtu_bytes));
    const double least_round_s =
        2 * channel->propagation_s
        + BITS_PER_BYTE * channel->window_bytes / channel->rate_bps.high;
    const double most_round_s = 2 * worst_segments * channel->mtu_bytes
                                    * BITS_PER_BYTE / bounds->ip_bps.low
                                + two_cycles_s(channel);

    bounds->tcp_bps.high =
        smaller(bounds->tcp_bps.high,
                capacity_window_bps(channel->window_bytes
                                        * capacity_content_ratio(&best),
                                    least_round_s));
    bounds->tcp_bps.low =
        smaller(bounds->tcp_bps.low,
                capacity_window_bps(
                    worst_segments * (worst.mtu_bytes - worst.header_bytes),
                    most_round_s));
}

/* The likely values of UDP packets and of TCP, each alone. */
static void way_rates(const struct channel *likely, int way,
                      struct rates *ret_udp, struct rates *ret_tcp)
{
    struct stream stream = {
        .from = way == WAY_TO_STATION ? 0 : 1,
        .to = way == WAY_TO_STATION ? 1 : 0,
        .traffic = TRAFFIC_UDP,
        .wanted_bps = (double) INFINITY,
    };

    streams_run(likely, &stream, 1, ret_udp);
    stream.traffic = TRAFFIC_TCP;
    streams_run(likely, &stream, 1, ret_tcp);
}

static double frames_of_ip(const struct channel *channel, enum bound bound)
{
    const double full = full_frames_bytes(channel, channel->mtu_bytes);

    return (full + (bound == BEST ? channel->frame_overhead_bytes : 0))
           / channel->mtu_bytes;
}

static void tell_layers(const struct channel *channel,
                        const struct bounds *bounds, const struct rates *udp,
                        const struct rates *tcp, struct carried *carried)
{
    const double headers = channel->ip_header_bytes + UDP_HEADER_BYTES;
    const double udp_ratio =
        (channel->mtu_bytes - headers) / channel->mtu_bytes;
    struct range *layers = carried->layers_bps;
    double *likely = carried->likely_bps;

    layers[LAYER_CHANNEL] = channel->symbol_bps;
    layers[LAYER_CODED] = channel->rate_bps;
    layers[LAYER_IP] = bounds->ip_bps;
    layers[LAYER_UDP] = range_times(bounds->ip_bps, udp_ratio);
    layers[LAYER_TCP] = bounds->tcp_bps;
    layers[LAYER_FILE] =
        range_of(bounds->tcp_bps.low * framing_left(channel, WORST),
                 bounds->tcp_bps.high * framing_left(channel, BEST));
    likely[LAYER_CHANNEL] = range_middle(channel->symbol_bps);
    likely[LAYER_CODED] = range_middle(channel->rate_bps);
    likely[LAYER_FRAMES] = udp->frames_bps;
    likely[LAYER_IP] = udp->ip_bps;
    likely[LAYER_UDP] = udp->ip_bps * udp_ratio;
    likely[LAYER_TCP] = tcp->tcp_bps;
    likely[LAYER_FILE] = tcp->tcp_bps * framing_left_likely(channel);
    if (range_is_said(channel->rate_bps))
        layers[LAYER_FRAMES] =
            range_of(bounds->ip_bps.low * frames_of_ip(channel, WORST),
                     smaller(bounds->ip_bps.high * frames_of_ip(channel, BEST),
                             channel->rate_bps.high));
    carried->binds = tcp->binds;
}

static void widen_for_repeats(const struct channel *channel,
                              struct bounds *bounds)
{
    const double arrive = 1 - channel->frame_loss_ratio;

    if (!(channel->frame_loss_ratio > 0))
        return;
    bounds->ip_bps.low *= arrive * arrive;
    bounds->tcp_bps.low *= arrive * arrive;
}

static void take_loss(const struct channel *channel, struct bounds *bounds,
                      const struct expectation *expectation, struct rates *tcp)
{
    const struct range queued_s = {
        expectation->least_rtt_ns.low * 1e-9,
        /* A queue of some seconds at the worst. */
        expectation->mean_rtt_ns.high * 1e-9
            + (range_is_said(bounds->cycle_s) ? 4 * bounds->cycle_s.high : 4),
    };
    const struct range loss = loss_bps(channel, queued_s);

    if (loss.low < bounds->tcp_bps.low)
        bounds->why = "wide: of losses that TCP sees, formulas give no more "
                      "than the order of magnitude (RFC 5348, RFC 3819 "
                      "section 8.5)";
    bounds->tcp_bps = range_of(smaller(bounds->tcp_bps.low, loss.low),
                               smaller(bounds->tcp_bps.high, loss.high));
    if (isnan(tcp->tcp_bps))
        tcp->tcp_bps = range_middle(bounds->tcp_bps);
    tcp->binds = loss.low < tcp->tcp_bps ? TERM_LOSS : tcp->binds;
    tcp->tcp_bps = smaller(tcp->tcp_bps, range_middle(loss));
}

static void expect_way(const struct channel *channel,
                       const struct plan_step *step, int way,
                       struct expectation *expectation)
{
    struct bounds bounds = { range_unsaid(), range_unsaid(), range_unsaid(),
                             NULL };
    const bool is_computed = range_is_said(channel->rate_bps);
    const struct channel likely = channel_likely(channel);
    struct rates udp;
    struct rates tcp;

    if (is_computed) {
        access_bounds(channel, way, &bounds);
        way_rates(&likely, way, &udp, &tcp);
    } else {
        published_bounds(channel, step, &bounds);
        published_rates(channel, step, &udp);
        tcp = udp;
    }
    if (range_is_said(bounds.tcp_bps)) {
        if (is_computed && !isinf(channel->window_bytes))
            close_window(channel, &bounds);
        widen_for_repeats(channel, &bounds);
        if (range_is_said(channel->loss_ratio)
            && range_is_said(expectation->mean_rtt_ns))
            take_loss(channel, &bounds, expectation, &tcp);
    }
    tell_layers(channel, &bounds, &udp, &tcp, &expectation->ways[way]);
    if (way == WAY_TO_STATION)
        expectation->cycle_ns = range_times(bounds.cycle_s, 1e9);
    if (bounds.why)
        (void) snprintf(expectation->why, sizeof(expectation->why), "%s",
                        bounds.why);
}

/* --- the whole ----------------------------------------------------------- */

/* What holds whichever way it goes. */
static struct range either_way(const struct expectation *expectation, int layer)
{
    const struct range out =
        expectation->ways[WAY_TO_STATION].layers_bps[layer];
    const struct range home = expectation->ways[WAY_TO_HUB].layers_bps[layer];

    return range_of(smaller(out.low, home.low), larger(out.high, home.high));
}

static const char *what_is_missing(const struct channel *channel,
                                   const struct plan_step *step)
{
    if (!range_is_said(channel->rate_bps)
        && !range_is_said(step->usable_rate_bps))
        return "the step has neither usable_rate nor symbol_rate with levels";
    if (channel->mtu_bytes
        <= channel->ip_header_bytes + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES)
        return "the mtu leaves no room for data after the headers";
    return NULL;
}

static void expect(const struct channel *channel, const struct plan_step *step,
                   struct expectation *expectation)
{
    *expectation = nothing_said();
    const char *missing = what_is_missing(channel, step);

    expectation->channel_bps = channel->rate_bps;
    if (missing) {
        (void) snprintf(expectation->why, sizeof(expectation->why), "%s",
                        missing);
        return;
    }
    const bool is_computed = range_is_said(channel->rate_bps);

    if (is_computed) {
        expect_trips(channel, expectation);
        expect_acknowledging(channel, &expectation->acks);
    }
    for (int way = 0; way < WAY_COUNT; way++)
        expect_way(channel, step, way, expectation);
    expectation->ip_bps = either_way(expectation, LAYER_IP);
    expectation->goodput_bps = either_way(expectation, LAYER_FILE);
    if (range_is_said(expectation->goodput_bps))
        (void) snprintf(expectation->source, sizeof(expectation->source), "%s",
                        is_computed ? "computed" : "published");
}

void capacity_expect_when(const struct plan *plan, const struct plan_step *step,
                          const struct situation *situation,
                          struct expectation *ret_expectation)
{
    const struct channel channel = channel_of(plan, step, situation);

    expect(&channel, step, ret_expectation);
}

void capacity_expect_of(const struct plan *plan, const struct plan_step *step,
                        struct expectation *ret_expectation)
{
    const struct situation nothing = { 0 };

    capacity_expect_when(plan, step, &nothing, ret_expectation);
    capacity_take_reference(ret_expectation, &step->reference,
                            plan_no_change_ratio(plan));
}

void capacity_expect(const struct plan_link *link, const struct plan_step *step,
                     struct expectation *ret_expectation)
{
    const struct plan plan = { .link = *link };

    capacity_expect_of(&plan, step, ret_expectation);
}
