/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * Bounds where the ends take turns (enum link_access in plan.h): scheduled and
 * alternating access, and full duplex, where nobody waits for the other way.
 *
 * Uncertain, even where the plan is exact:
 * - segments per acknowledgement: 1 to 2 (capacity_acks.c);
 * - TCP timestamps: 12 bytes a segment, or none;
 * - what a radio does with the rest of a slot that holds no whole frame: up to
 *   one frame's overhead is lost.
 *
 * Not counted: start-up, and losses that nobody has told.
 */

/* Without a slot limit a burst is a window: at least what RFC 5681 lets a
 * sender start with. */
static const double least_burst_segments = 4;

static const char no_limit[] =
    "wide: the plan says no slot_limit, so how often the ends take turns is "
    "not known";
static const char no_room[] =
    "slot_limit leaves no room for data after slot_overhead and a frame's "
    "overhead";

/* One transmission filled to the slot limit, and the answer to it. */
struct cycle {
    double data_bytes; /* of IP */
    double data_air_bytes;
    double acks_count, ack_air_bytes;
};

/*
 * Bytes on the air that carry these acknowledgements in one transmission.  A
 * transmission has at least one frame, so the best is full frames or one frame
 * a transmission, and the worst one frame more than full ones.
 */
static double ack_air_bytes(const struct channel *channel,
                            const struct capacity_flow *flow, double acks_count,
                            enum bound bound)
{
    const double bytes = acks_count * flow->header_bytes;
    const double full_frames = bytes / channel->payload_bytes;
    const double one_frame = smaller(acks_count, 1);
    const double frames = bound == BEST ? larger(full_frames, one_frame)
                                        : full_frames + one_frame;

    return bytes + frames * channel->frame_overhead_bytes;
}

/*
 * What fits into a slot: whole frames and, where the rest has room for more
 * than a frame's overhead, a shorter one.  As a function of the room r this is
 * a staircase with sloping steps between (r - o) p / (p + o) and r p / (p + o);
 * and a part of a byte carries nothing.
 */
static double slot_data_bytes(const struct channel *channel, double room_bytes,
                              enum bound bound)
{
    const double overhead_bytes = channel->frame_overhead_bytes;
    const double share = isinf(channel->payload_bytes)
                             ? 1
                             : channel->payload_bytes
                                   / (channel->payload_bytes + overhead_bytes);
    const bool loses_a_header = bound == WORST || isinf(channel->payload_bytes);
    const double part_byte = bound == WORST ? 1 : 0;
    const double lost_bytes = (loses_a_header ? overhead_bytes : 0) + part_byte;

    return larger(0, (room_bytes - lost_bytes) * share);
}

static struct cycle loaded_cycle(const struct channel *channel, double limit_s,
                                 double overhead_s, double rate_bps,
                                 enum bound bound)
{
    const struct capacity_flow flow = flow_on(channel, bound);
    struct cycle cycle = { .data_air_bytes = (limit_s - overhead_s) * rate_bps
                                             / BITS_PER_BYTE };

    cycle.data_bytes = slot_data_bytes(channel, cycle.data_air_bytes, bound);
    cycle.acks_count =
        cycle.data_bytes / flow.mtu_bytes / flow.segments_per_ack;
    cycle.ack_air_bytes =
        ack_air_bytes(channel, &flow, cycle.acks_count, bound);
    return cycle;
}

static struct cycle bound_cycle(const struct channel *channel, enum bound bound)
{
    return loaded_cycle(channel, pick(channel->limit_s, bound, true),
                        pick(channel->overhead_s, bound, false),
                        pick(channel->rate_bps, bound, true), bound);
}

static double bits_s(const struct channel *channel, double bytes,
                     enum bound bound)
{
    return BITS_PER_BYTE * bytes / pick(channel->rate_bps, bound, true);
}

/* The turn that brings the acknowledgements, its frames apart: an idle one
 * where there is none. */
static double answer_turn_s(const struct channel *channel, double acks_count,
                            enum bound bound)
{
    const double overhead_s = pick(channel->overhead_s, bound, false);
    const double least_s = pick(channel->least_s, bound, false);
    const double often = smaller(acks_count, 1);
    const double mean_s = often * overhead_s + (1 - often) * least_s;

    return bound == WORST ? larger(mean_s, overhead_s) : mean_s;
}

static double turns_ip_bps(const struct channel *channel, enum bound bound)
{
    const struct cycle cycle = bound_cycle(channel, bound);
    const double data_s = pick(channel->overhead_s, bound, false)
                          + bits_s(channel, cycle.data_air_bytes, bound);

    return BITS_PER_BYTE * cycle.data_bytes
           / (data_s
              + channel->stations_count * pick(channel->least_s, bound, false));
}

static double turns_tcp_bps(const struct channel *channel, enum bound bound)
{
    const struct cycle cycle = bound_cycle(channel, bound);
    const struct capacity_flow flow = flow_on(channel, bound);
    const double data_s = pick(channel->overhead_s, bound, false)
                          + bits_s(channel, cycle.data_air_bytes, bound);
    const double answer_s = answer_turn_s(channel, cycle.acks_count, bound)
                            + bits_s(channel, cycle.ack_air_bytes, bound);

    return BITS_PER_BYTE * cycle.data_bytes * capacity_content_ratio(&flow)
           / (data_s + answer_s
              + (channel->stations_count - 1)
                    * pick(channel->least_s, bound, false));
}

/* --- slots that are as long when they are empty -------------------------- */

static double fixed_ip_bps(const struct channel *channel, enum bound bound)
{
    const struct cycle cycle = bound_cycle(channel, bound);

    return BITS_PER_BYTE * cycle.data_bytes
           / ((1 + channel->stations_count)
              * pick(channel->limit_s, bound, true));
}

static double fixed_tcp_bps(const struct channel *channel, enum bound bound)
{
    const struct capacity_flow flow = flow_on(channel, bound);
    /* The other's slot is as large: so many bytes of data one
     * acknowledgement's bytes let through. */
    const double carried =
        flow.segments_per_ack * flow.mtu_bytes / flow.header_bytes;

    return fixed_ip_bps(channel, bound) * smaller(1, carried)
           * capacity_content_ratio(&flow);
}

/* --- cycle --------------------------------------------------------------- */

/* The other way round: the longest cycle comes from the longest overhead. */
static struct range adaptive_cycle_s(const struct channel *channel)
{
    const struct cycle shortest =
        loaded_cycle(channel, channel->limit_s.low, channel->overhead_s.low,
                     channel->rate_bps.low, BEST);
    const struct cycle longest =
        loaded_cycle(channel, channel->limit_s.high, channel->overhead_s.high,
                     channel->rate_bps.low, WORST);
    const double others = channel->stations_count - 1;
    const double low_s =
        channel->limit_s.low
        + smaller(channel->overhead_s.low, channel->least_s.low)
        + others * channel->least_s.low
        + BITS_PER_BYTE
              * larger(0,
                       shortest.ack_air_bytes - channel->frame_overhead_bytes)
              / channel->rate_bps.high;
    const double high_s =
        channel->limit_s.high
        + larger(channel->overhead_s.high, channel->least_s.high)
        + others * channel->least_s.high
        + BITS_PER_BYTE * longest.ack_air_bytes / channel->rate_bps.low;

    return range_of(low_s, high_s);
}

/* --- no limit ------------------------------------------------------------ */

/* Turns and frames so long that their cost vanishes. */
static double endless_tcp_bps(const struct channel *channel)
{
    const struct capacity_flow flow = flow_on(channel, BEST);
    const double ack_bytes = flow.header_bytes / flow.segments_per_ack;

    return BITS_PER_BYTE * (flow.mtu_bytes - flow.header_bytes)
           / bits_s(channel,
                    full_frames_bytes(channel, flow.mtu_bytes + ack_bytes),
                    BEST);
}

/* Without a slot limit a transmission lasts until the queue is empty: between
 * a small window a time and one so large that turns cost nothing. */
static void unlimited_bounds(const struct channel *channel,
                             struct bounds *bounds)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const double data_bytes = least_burst_segments * channel->mtu_bytes;
    const double air_bytes =
        full_frames_bytes(channel, data_bytes) + channel->frame_overhead_bytes;
    const double answer_bytes =
        ack_air_bytes(channel, &worst, least_burst_segments, WORST);
    const double turns_s =
        channel->overhead_s.high
        + (channel->stations_count - 1) * channel->least_s.high
        + larger(channel->overhead_s.high, channel->least_s.high);

    bounds->ip_bps =
        range_of(BITS_PER_BYTE * data_bytes
                     / (turns_s + bits_s(channel, air_bytes, WORST)),
                 channel->rate_bps.high * channel->mtu_bytes
                     / full_frames_bytes(channel, channel->mtu_bytes));
    bounds->tcp_bps = range_of(
        BITS_PER_BYTE * data_bytes * capacity_content_ratio(&worst)
            / (turns_s + bits_s(channel, air_bytes + answer_bytes, WORST)),
        endless_tcp_bps(channel));
    bounds->why = no_limit;
}

void turns_bounds(const struct channel *channel, struct bounds *bounds)
{
    if (!range_is_said(channel->limit_s)) {
        unlimited_bounds(channel, bounds);
        return;
    }
    if (!(bound_cycle(channel, WORST).data_bytes > 0)) {
        bounds->why = no_room;
        return;
    }
    if (channel->slots == SLOTS_FIXED && channel->access == ACCESS_SCHEDULED) {
        bounds->ip_bps =
            range_of(fixed_ip_bps(channel, WORST), fixed_ip_bps(channel, BEST));
        bounds->tcp_bps = range_of(fixed_tcp_bps(channel, WORST),
                                   fixed_tcp_bps(channel, BEST));
        bounds->cycle_s =
            range_times(channel->limit_s, 1 + channel->stations_count);
        return;
    }
    bounds->ip_bps =
        range_of(turns_ip_bps(channel, WORST), turns_ip_bps(channel, BEST));
    bounds->tcp_bps =
        range_of(turns_tcp_bps(channel, WORST), turns_tcp_bps(channel, BEST));
    bounds->cycle_s = adaptive_cycle_s(channel);
}

/* --- full duplex --------------------------------------------------------- */

/* Turns of one direction: the sender's own, and those of the other stations,
 * which pass idle. */
static double duplex_ip_bps(const struct channel *channel, int way,
                            enum bound bound)
{
    const double others = way == WAY_TO_HUB ? channel->stations_count - 1 : 0;
    const struct cycle cycle = bound_cycle(channel, bound);
    const double own_s = pick(channel->overhead_s, bound, false)
                         + bits_s(channel, cycle.data_air_bytes, bound);

    if (channel->slots == SLOTS_FIXED && others > 0)
        return BITS_PER_BYTE * cycle.data_bytes
               / ((1 + others) * pick(channel->limit_s, bound, true));
    return BITS_PER_BYTE * cycle.data_bytes
           / (own_s + others * pick(channel->least_s, bound, false));
}

static struct range duplex_way_bps(const struct channel *channel, int way)
{
    return range_of(duplex_ip_bps(channel, way, WORST),
                    duplex_ip_bps(channel, way, BEST));
}

static struct range duplex_endless_bps(const struct channel *channel)
{
    const double full = full_frames_bytes(channel, channel->mtu_bytes);

    /* At the worst each packet ends in a frame that is not full. */
    return range_of(channel->rate_bps.low * channel->mtu_bytes
                        / (full + channel->frame_overhead_bytes),
                    channel->rate_bps.high * channel->mtu_bytes / full);
}

/* Acknowledgements have the other channel to themselves; it limits TCP only
 * where it is much the slower one. */
void duplex_bounds(const struct channel *channel, int way,
                   struct bounds *bounds)
{
    const struct capacity_flow best = flow_on(channel, BEST);
    const struct capacity_flow worst = flow_on(channel, WORST);
    const bool is_limited = range_is_said(channel->limit_s);

    if (is_limited && !(bound_cycle(channel, WORST).data_bytes > 0)) {
        bounds->why = no_room;
        return;
    }
    const struct range ip_bps =
        is_limited ? duplex_way_bps(channel, way) : duplex_endless_bps(channel);
    const struct range back_bps = is_limited ? duplex_way_bps(channel, !way)
                                             : duplex_endless_bps(channel);

    if (!is_limited && way == WAY_TO_HUB && channel->stations_count > 1)
        bounds->why = no_limit;
    const double carried_worst =
        worst.segments_per_ack * worst.mtu_bytes / worst.header_bytes;
    const double carried_best =
        best.segments_per_ack * best.mtu_bytes / best.header_bytes;

    bounds->ip_bps = ip_bps;
    bounds->tcp_bps =
        range_of(smaller(ip_bps.low, back_bps.low * carried_worst)
                     * capacity_content_ratio(&worst),
                 smaller(ip_bps.high, back_bps.high * carried_best)
                     * capacity_content_ratio(&best));
}
