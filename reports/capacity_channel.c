/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

#include <string.h>

static const double light_mps = 299792458.0;
static const double echo_preset_bytes = 56; /* the ping's preset */

/* HTTP's chunk marks in a timed download: up to half a percent, and that for
 * the smallest blocks (a block of 2 KiB has marks of 7 bytes). */
static const double framing_most_ratio = 0.005;
static const double framing_likely_ratio = 0.0034;

static double stations_of(const struct plan *plan)
{
    double count = 0;

    for (size_t i = 0; i < plan->end_count; i++)
        count += plan->ends[i].role == ROLE_STATION
                 && plan_end_is_site(&plan->ends[i]);
    count = larger(count, (double) plan->link.stations_count);
    return larger(count, 1);
}

static bool is_ipv6(const struct plan *plan, const struct situation *situation)
{
    if (situation->is_ipv6)
        return situation->is_ipv6 == SAID_YES;
    for (size_t i = 0; i < plan->end_count; i++) {
        if (strchr(plan->ends[i].address, ':'))
            return true;
    }
    return false;
}

static void take_contention(struct channel *channel,
                            const struct plan_link *link)
{
    channel->has_carrier_sense = link->carrier_sense;
    channel->has_edges = link->contention_slotted;
    channel->contention_slot_s = (double) link->contention_slot_ns * 1e-9;
    channel->contention_window =
        larger(1, (double) link->contention_window_count);
    channel->contention_window_most =
        larger(channel->contention_window,
               (double) link->contention_window_most_count);
}

static void take_situation(struct channel *channel,
                           const struct situation *situation)
{
    channel->has_timestamps = situation->has_timestamps;
    channel->has_framing = situation->has_framing;
    if (situation->mtu_bytes > 0)
        channel->mtu_bytes = situation->mtu_bytes;
    channel->echo_bytes =
        situation->echo_bytes > 0 ? situation->echo_bytes : echo_preset_bytes;
    /* Of the moment, or what the plan says of every moment. */
    if (situation->window_bytes > 0)
        channel->window_bytes = situation->window_bytes;
    channel->segments_per_ack = situation->segments_per_ack;
    if (situation->loss_ratio.high > 0)
        channel->loss_ratio = situation->loss_ratio;
    channel->frame_loss_ratio = situation->frame_loss_ratio;
}

struct channel channel_of(const struct plan *plan, const struct plan_step *step,
                          const struct situation *situation)
{
    const struct plan_link *link = &plan->link;
    struct channel channel = {
        .access = link->access,
        .slots = link->slots,
        .symbol_bps = range_unsaid(),
        .rate_bps = capacity_channel_bps(step),
        .overhead_s = range_is_said(link->slot_overhead_ns)
                          ? range_times(link->slot_overhead_ns, 1e-9)
                          : range_of(0, 0),
        .limit_s = range_times(link->slot_limit_ns, 1e-9),
        .payload_bytes = link->frame_payload_bytes
                             ? (double) link->frame_payload_bytes
                             : (double) INFINITY,
        .frame_overhead_bytes = (double) link->frame_overhead_bytes,
        .mtu_bytes = (double) link->mtu_bytes,
        .ip_header_bytes =
            is_ipv6(plan, situation) ? IPV6_HEADER_BYTES : IPV4_HEADER_BYTES,
        .stations_count = stations_of(plan),
        .window_bytes = link->window_bytes ? (double) link->window_bytes
                                           : (double) INFINITY,
        .propagation_s =
            isnan(link->distance_m) ? 0 : link->distance_m / light_mps,
        .repeats_count = (double) link->repeats_limit_count,
        .repeats_delay_s = (double) link->repeats_delay_ns * 1e-9,
        .loss_ratio =
            link->loss_ratio.high > 0 ? link->loss_ratio : range_unsaid(),
    };

    channel.least_s = range_is_said(link->slot_least_ns)
                          ? range_times(link->slot_least_ns, 1e-9)
                          : channel.overhead_s;
    if (range_is_said(step->symbol_rate_bd) && step->levels >= 2)
        channel.symbol_bps =
            range_times(step->symbol_rate_bd, log2((double) step->levels));
    take_contention(&channel, link);
    take_situation(&channel, situation);
    return channel;
}

static struct range at_middle(struct range range)
{
    return range_of(range_middle(range), range_middle(range));
}

struct channel channel_likely(const struct channel *channel)
{
    struct channel likely = *channel;

    likely.symbol_bps = at_middle(channel->symbol_bps);
    likely.rate_bps = at_middle(channel->rate_bps);
    likely.overhead_s = at_middle(channel->overhead_s);
    likely.least_s = at_middle(channel->least_s);
    likely.limit_s = at_middle(channel->limit_s);
    return likely;
}

/* --- bytes on the air ---------------------------------------------------- */

double full_frames_bytes(const struct channel *channel, double bytes)
{
    return bytes
           + bytes / channel->payload_bytes * channel->frame_overhead_bytes;
}

double whole_frames_bytes(const struct channel *channel, double bytes)
{
    if (!(bytes > 0))
        return 0;
    const double frames = isinf(channel->payload_bytes)
                              ? 1
                              : ceil(bytes / channel->payload_bytes - 1e-9);

    return bytes + frames * channel->frame_overhead_bytes;
}

double whole_packets_bytes(const struct channel *channel, double packets,
                           double packet_bytes)
{
    const double fewer = floor(packets);
    const double share_of_more = packets - fewer;

    return (1 - share_of_more)
               * whole_frames_bytes(channel, fewer * packet_bytes)
           + share_of_more
                 * whole_frames_bytes(channel, (fewer + 1) * packet_bytes);
}

/* Frames back to back until the slot limit: full ones, and a shorter one where
 * the rest has room for more than a frame's overhead. */
struct burst slot_burst(const struct channel *channel)
{
    const double room_s = channel->limit_s.low - channel->overhead_s.low;
    /* A part of a nanosecond's bits is no whole byte less. */
    const double room =
        floor(room_s * channel->rate_bps.low / BITS_PER_BYTE + 1e-6);
    const double overhead = channel->frame_overhead_bytes;

    if (isinf(channel->payload_bytes))
        return (struct burst){ larger(0, room - overhead), larger(0, room) };
    const double frame = channel->payload_bytes + overhead;
    const double full = floor(room / frame);
    const double rest = room - full * frame;
    struct burst burst = { full * channel->payload_bytes, full * frame };

    if (rest > overhead) {
        burst.data_bytes += rest - overhead;
        burst.air_bytes = room;
    }
    return burst;
}

/* --- framing ------------------------------------------------------------- */

double framing_left(const struct channel *channel, enum bound bound)
{
    if (channel->has_framing == SAID_NO)
        return 1;
    return bound == WORST ? 1 - framing_most_ratio : 1;
}

double framing_left_likely(const struct channel *channel)
{
    return channel->has_framing == SAID_NO ? 1 : 1 - framing_likely_ratio;
}
