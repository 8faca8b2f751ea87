/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"

#include <stdio.h>
#include <string.h>

/*
 * Every figure is worked out twice, once with all that is uncertain at its
 * best and once at its worst, and both bounds are monotone in every input: a
 * wider input never narrows the range, a faster channel never lowers it, and
 * more overhead never raises it.
 *
 * Uncertain, even where the plan is exact:
 * - segments per acknowledgement: 1 to 2 (RFC 5681 section 4.2).  A receiver
 *   acknowledges every second full segment, but at once where the sender pushed
 *   or the delayed-acknowledgement timer (40 ms on common systems, 500 ms at
 *   most: RFC 1122 section 4.2.3.2) runs out first.  Segments further apart
 *   than 500 ms are acknowledged one by one.
 * - TCP timestamps: 12 bytes a segment, or none.
 * - what a radio does with the rest of a slot that holds no whole frame: up to
 *   one frame's overhead is lost.
 * - HTTP's chunk marks: up to half a percent.
 *
 * Not counted: losses, repeats, start-up, and windows smaller than two cycles.
 */
static const double published_margin_ratio = 0.10; /* design section 5 */
static const double ack_timer_longest_s = 0.5;     /* RFC 1122 4.2.3.2 */
static const double framing_most_ratio = 0.005;
static const double echo_data_bytes = 56; /* the ping's preset */
static const double light_mps = 299792458.0;
/* Without a slot limit a burst is a window: at least what RFC 5681 lets a
 * sender start with. */
static const double least_burst_segments = 4;
/* Contention: at the worst half of the channel's time goes into waiting,
 * back-off and collisions.  A rule of thumb: nothing in a plan says better. */
static const double contention_worst_ratio = 0.5;

enum bound {
    WORST,
    BEST
};

/* The channel in SI units. */
struct channel {
    int access;
    struct range rate_bps;
    struct range overhead_s, limit_s;
    double payload_bytes; /* INFINITY: a transmission is one frame */
    double frame_overhead_bytes;
    double mtu_bytes, ip_header_bytes;
    double stations_count;
    double propagation_s;
};

/* One transmission filled to the slot limit, and the answer to it. */
struct cycle {
    double data_bytes; /* of IP */
    double data_air_bytes;
    double ack_air_bytes;
};

static struct range range_of(double low, double high)
{
    return (struct range){ low, high };
}

static struct range range_times(struct range range, double factor)
{
    return range_of(range.low * factor, range.high * factor);
}

/* The end of the range that is better for the flow. */
static double pick(struct range range, enum bound bound, bool more_is_better)
{
    return (bound == BEST) == more_is_better ? range.high : range.low;
}

static double larger(double a, double b)
{
    return a > b ? a : b;
}

static double smaller(double a, double b)
{
    return a < b ? a : b;
}

/* --- public arithmetic --------------------------------------------------- */

double capacity_content_ratio(const struct capacity_flow *flow)
{
    return (flow->mtu_bytes - flow->header_bytes) / flow->mtu_bytes;
}

double capacity_pooled_bps(double pool_bps, const struct capacity_flow *flow,
                           double link_bytes)
{
    const double content_bytes = flow->mtu_bytes - flow->header_bytes;
    const double segments = flow->segments_per_ack;

    return pool_bps * segments * content_bytes
           / (segments * (flow->mtu_bytes + link_bytes) + flow->header_bytes
              + link_bytes);
}

double capacity_turns_bps(double rate_bps, double overhead_s,
                          double transmissions_count, double content_bytes,
                          double air_bytes)
{
    return BITS_PER_BYTE * content_bytes
           / (overhead_s * transmissions_count
              + BITS_PER_BYTE * air_bytes / rate_bps);
}

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
    if (!isnan(step->bandwidth_hz))
        return step->bandwidth_hz;
    if (isnan(step->deviation_hz) || !range_is_said(step->symbol_rate_bd))
        return (double) NAN;
    return 2 * step->deviation_hz + step->symbol_rate_bd.high;
}

/* --- one TCP flow on this channel ---------------------------------------- */

/* Bytes on the air for so many IP bytes in full frames. */
static double full_frames_bytes(const struct channel *channel, double bytes)
{
    return bytes
           + bytes / channel->payload_bytes * channel->frame_overhead_bytes;
}

static struct capacity_flow flow_on(const struct channel *channel,
                                    enum bound bound)
{
    struct capacity_flow flow = {
        .mtu_bytes = channel->mtu_bytes,
        .header_bytes = channel->ip_header_bytes + TCP_HEADER_BYTES,
        .segments_per_ack = 1,
    };
    const double apart_s = BITS_PER_BYTE
                           * full_frames_bytes(channel, flow.mtu_bytes)
                           / channel->rate_bps.high;

    if (bound == BEST && apart_s <= ack_timer_longest_s)
        flow.segments_per_ack = 2;
    if (bound == WORST)
        flow.header_bytes += TCP_TIMESTAMP_BYTES;
    return flow;
}

/* Content of so many IP bytes in full segments, HTTP's framing taken off. */
static double content_of_bytes(const struct capacity_flow *flow, double bytes,
                               enum bound bound)
{
    const double framing_ratio = bound == WORST ? framing_most_ratio : 0;

    return bytes * capacity_content_ratio(flow) * (1 - framing_ratio);
}

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
 * a staircase with sloping steps between (r - o) p / (p + o) and r p / (p + o).
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

    return larger(0,
                  (room_bytes - (loses_a_header ? overhead_bytes : 0)) * share);
}

static struct cycle loaded_cycle(const struct channel *channel, double limit_s,
                                 double overhead_s, double rate_bps,
                                 enum bound bound)
{
    const struct capacity_flow flow = flow_on(channel, bound);
    struct cycle cycle = { .data_air_bytes = (limit_s - overhead_s) * rate_bps
                                             / BITS_PER_BYTE };

    cycle.data_bytes = slot_data_bytes(channel, cycle.data_air_bytes, bound);
    cycle.ack_air_bytes = ack_air_bytes(
        channel, &flow,
        cycle.data_bytes / flow.mtu_bytes / flow.segments_per_ack, bound);
    return cycle;
}

static struct cycle bound_cycle(const struct channel *channel, enum bound bound)
{
    return loaded_cycle(channel, pick(channel->limit_s, bound, true),
                        pick(channel->overhead_s, bound, false),
                        pick(channel->rate_bps, bound, true), bound);
}

/* --- access by turns ----------------------------------------------------- */

static double turns_ip_bps(const struct channel *channel, enum bound bound)
{
    const struct cycle cycle = bound_cycle(channel, bound);

    return capacity_turns_bps(pick(channel->rate_bps, bound, true),
                              pick(channel->overhead_s, bound, false),
                              1 + channel->stations_count, cycle.data_bytes,
                              cycle.data_air_bytes);
}

static double turns_goodput_bps(const struct channel *channel, enum bound bound)
{
    const struct cycle cycle = bound_cycle(channel, bound);
    const struct capacity_flow flow = flow_on(channel, bound);

    return capacity_turns_bps(pick(channel->rate_bps, bound, true),
                              pick(channel->overhead_s, bound, false),
                              1 + channel->stations_count,
                              content_of_bytes(&flow, cycle.data_bytes, bound),
                              cycle.data_air_bytes + cycle.ack_air_bytes);
}

/* The other way round: the longest cycle comes from the longest overhead. */
static struct range turns_cycle_ns(const struct channel *channel)
{
    const struct cycle shortest =
        loaded_cycle(channel, channel->limit_s.low, channel->overhead_s.low,
                     channel->rate_bps.low, BEST);
    const struct cycle longest =
        loaded_cycle(channel, channel->limit_s.high, channel->overhead_s.high,
                     channel->rate_bps.low, WORST);
    const double low_s =
        channel->limit_s.low + channel->stations_count * channel->overhead_s.low
        + BITS_PER_BYTE
              * (shortest.ack_air_bytes - channel->frame_overhead_bytes)
              / channel->rate_bps.high;
    const double high_s =
        channel->limit_s.high
        + channel->stations_count * channel->overhead_s.high
        + BITS_PER_BYTE * longest.ack_air_bytes / channel->rate_bps.low;

    return range_of(low_s * 1e9, high_s * 1e9);
}

/*
 * A small echo on an idle channel.  The probe waits for its end's turn: the
 * turns come round once an idle cycle, so the wait is uniform between nothing
 * and that.  It is sent; the answer waits for the other end's turn, which
 * comes one overhead later with two ends and at most (stations) overheads
 * later with more; and is sent.  Nothing else is random, so the median is the
 * mean.
 */
static void expect_turns_rtt(const struct channel *channel,
                             struct expectation *expectation)
{
    const double bytes =
        echo_data_bytes + ECHO_HEADER_BYTES + channel->ip_header_bytes;
    const double air_bytes =
        bytes
        + ceil(bytes / channel->payload_bytes) * channel->frame_overhead_bytes;
    const double both_bits = 2 * BITS_PER_BYTE * air_bytes;
    const struct range fixed_s = {
        channel->overhead_s.low + both_bits / channel->rate_bps.high
            + 2 * channel->propagation_s,
        channel->stations_count * channel->overhead_s.high
            + both_bits / channel->rate_bps.low + 2 * channel->propagation_s,
    };
    const struct range idle_s =
        range_times(channel->overhead_s, 1 + channel->stations_count);

    expectation->idle_cycle_ns = range_times(idle_s, 1e9);
    expectation->least_rtt_ns = range_times(fixed_s, 1e9);
    expectation->mean_rtt_ns = range_times(
        range_of(fixed_s.low + idle_s.low / 2, fixed_s.high + idle_s.high / 2),
        1e9);
}

/* Turns and frames so long that their cost vanishes. */
static double endless_turns_bps(const struct channel *channel)
{
    const struct capacity_flow flow = flow_on(channel, BEST);
    const double ack_bytes = flow.header_bytes / flow.segments_per_ack;

    return capacity_turns_bps(
        channel->rate_bps.high, 0, 0,
        content_of_bytes(&flow, flow.mtu_bytes, BEST),
        full_frames_bytes(channel, flow.mtu_bytes + ack_bytes));
}

/* Without a slot limit a transmission lasts until the queue is empty: between
 * a small window a time and one so large that turns cost nothing. */
static void expect_unlimited_turns(const struct channel *channel,
                                   struct expectation *expectation)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const double data_bytes = least_burst_segments * channel->mtu_bytes;
    const double link_bytes =
        full_frames_bytes(channel, channel->mtu_bytes) - channel->mtu_bytes;
    const double air_bytes =
        full_frames_bytes(channel, data_bytes) + channel->frame_overhead_bytes;

    expectation->ip_bps = range_of(
        capacity_turns_bps(channel->rate_bps.low, channel->overhead_s.high,
                           1 + channel->stations_count, data_bytes, air_bytes),
        channel->rate_bps.high * channel->mtu_bytes
            / (channel->mtu_bytes + link_bytes));
    expectation->goodput_bps = range_of(
        capacity_turns_bps(
            channel->rate_bps.low, channel->overhead_s.high,
            1 + channel->stations_count,
            content_of_bytes(&worst, data_bytes, WORST),
            air_bytes
                + ack_air_bytes(channel, &worst, least_burst_segments, WORST)),
        endless_turns_bps(channel));
    (void) snprintf(expectation->why, sizeof(expectation->why),
                    "wide: the plan says no slot_limit, so how often the ends "
                    "take turns is not known");
}

static void expect_turns(const struct channel *channel,
                         struct expectation *expectation)
{
    expect_turns_rtt(channel, expectation);
    if (!range_is_said(channel->limit_s)) {
        expect_unlimited_turns(channel, expectation);
        return;
    }
    if (!(turns_ip_bps(channel, WORST) > 0)) {
        (void) snprintf(expectation->why, sizeof(expectation->why),
                        "slot_limit leaves no room for data after "
                        "slot_overhead and a frame's overhead");
        return;
    }
    expectation->ip_bps =
        range_of(turns_ip_bps(channel, WORST), turns_ip_bps(channel, BEST));
    expectation->goodput_bps = range_of(turns_goodput_bps(channel, WORST),
                                        turns_goodput_bps(channel, BEST));
    expectation->cycle_ns = turns_cycle_ns(channel);
}

/* --- the other kinds of access ------------------------------------------- */

static void expect_full_duplex(const struct channel *channel,
                               struct expectation *expectation)
{
    const struct capacity_flow best = flow_on(channel, BEST);
    const struct capacity_flow worst = flow_on(channel, WORST);
    const double link_bytes =
        full_frames_bytes(channel, channel->mtu_bytes) - channel->mtu_bytes;
    const struct range ip_bps = {
        /* a last frame that is not full */
        channel->rate_bps.low * channel->mtu_bytes
            / (channel->mtu_bytes + link_bytes + channel->frame_overhead_bytes),
        channel->rate_bps.high * channel->mtu_bytes
            / (channel->mtu_bytes + link_bytes),
    };
    const double echo_bits =
        BITS_PER_BYTE
        * (echo_data_bytes + ECHO_HEADER_BYTES + channel->ip_header_bytes
           + channel->frame_overhead_bytes);

    expectation->ip_bps = ip_bps;
    expectation->goodput_bps =
        range_of(content_of_bytes(&worst, ip_bps.low, WORST),
                 content_of_bytes(&best, ip_bps.high, BEST));
    expectation->least_rtt_ns = range_of(
        (2 * echo_bits / channel->rate_bps.high + 2 * channel->propagation_s)
            * 1e9,
        (2 * echo_bits / channel->rate_bps.low + 2 * channel->propagation_s)
            * 1e9);
    expectation->mean_rtt_ns = expectation->least_rtt_ns;
}

/* Each sends when the channel is free: a transmission carries one packet, or
 * as much as a slot may hold, and nobody can say how long it has to wait. */
static void expect_contention(const struct channel *channel,
                              struct expectation *expectation)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const double link_bytes =
        full_frames_bytes(channel, channel->mtu_bytes) - channel->mtu_bytes;
    const double segment_air_bytes =
        channel->mtu_bytes + link_bytes + channel->frame_overhead_bytes;
    const double low_ip_bps =
        capacity_turns_bps(channel->rate_bps.low, channel->overhead_s.high, 1,
                           channel->mtu_bytes, segment_air_bytes);
    const double low_goodput_bps = capacity_turns_bps(
        channel->rate_bps.low, channel->overhead_s.high, 2,
        content_of_bytes(&worst, channel->mtu_bytes, WORST),
        segment_air_bytes + ack_air_bytes(channel, &worst, 1, WORST));

    expectation->ip_bps = range_of(contention_worst_ratio * low_ip_bps,
                                   channel->rate_bps.high * channel->mtu_bytes
                                       / (channel->mtu_bytes + link_bytes));
    expectation->goodput_bps = range_of(
        contention_worst_ratio * low_goodput_bps, endless_turns_bps(channel));
    (void) snprintf(expectation->why, sizeof(expectation->why),
                    "wide: with contention nothing in the plan says how much "
                    "time goes into waiting and collisions");
}

static void expect_on_channel(const struct channel *channel,
                              struct expectation *expectation)
{
    switch ((enum link_access) channel->access) {
    case ACCESS_SCHEDULED:
    case ACCESS_ALTERNATING:
        expect_turns(channel, expectation);
        return;
    case ACCESS_CONTENTION:
        expect_contention(channel, expectation);
        return;
    case ACCESS_FULL_DUPLEX:
        expect_full_duplex(channel, expectation);
        return;
    }
}

/* --- the maker's figure -------------------------------------------------- */

/*
 * Taken as IP bytes after the radio's own overhead, because it is called
 * usable; +-10 % unless a range is typed.  Where it counts both directions
 * together, one direction alone gets between half of it (fixed slots, or full
 * duplex) and nearly all (shared slots).  Where that is not stated, either may
 * be meant.  The acknowledgements are taken off at the worst only.
 */
static void expect_published(const struct channel *channel,
                             const struct plan_step *step,
                             struct expectation *expectation)
{
    const bool is_full_duplex = channel->access == ACCESS_FULL_DUPLEX;
    struct channel ideal = *channel;
    struct range ip_bps = step->usable_rate_bps;

    if (ip_bps.low == ip_bps.high)
        ip_bps = range_of(ip_bps.low * (1 - published_margin_ratio),
                          ip_bps.high * (1 + published_margin_ratio));
    if (step->usable_rate_is != RATE_ONE_WAY)
        ip_bps.low /= 2;
    if (step->usable_rate_is == RATE_BOTH_WAYS && is_full_duplex)
        ip_bps.high /= 2;
    if (step->usable_rate_is == RATE_UNSTATED)
        (void) snprintf(expectation->why, sizeof(expectation->why),
                        "wide: the plan does not say whether usable_rate "
                        "counts one way or both (usable_rate_is)");
    ideal.rate_bps = ip_bps;
    const struct capacity_flow best = flow_on(&ideal, BEST);
    const struct capacity_flow worst = flow_on(&ideal, WORST);

    expectation->ip_bps = ip_bps;
    expectation->goodput_bps.low =
        is_full_duplex ? content_of_bytes(&worst, ip_bps.low, WORST)
                       : capacity_pooled_bps(ip_bps.low, &worst, 0)
                             * (1 - framing_most_ratio);
    expectation->goodput_bps.high = ip_bps.high * capacity_content_ratio(&best);
}

/* --- the whole ----------------------------------------------------------- */

static struct channel channel_of(const struct plan_link *link,
                                 uint64_t stations_count,
                                 double ip_header_bytes)
{
    return (struct channel){
        .access = link->access,
        .overhead_s = range_is_said(link->slot_overhead_ns)
                          ? range_times(link->slot_overhead_ns, 1e-9)
                          : range_of(0, 0),
        .limit_s = range_times(link->slot_limit_ns, 1e-9),
        .payload_bytes = link->frame_payload_bytes
                             ? (double) link->frame_payload_bytes
                             : (double) INFINITY,
        .frame_overhead_bytes = (double) link->frame_overhead_bytes,
        .mtu_bytes = (double) link->mtu_bytes,
        .ip_header_bytes = ip_header_bytes,
        .stations_count = stations_count ? (double) stations_count : 1,
        .propagation_s =
            isnan(link->distance_m) ? 0 : link->distance_m / light_mps,
    };
}

static void expect(const struct plan_step *step, struct channel *channel,
                   struct expectation *expectation)
{
    *expectation = (struct expectation){
        .channel_bps = capacity_channel_bps(step),
        .ip_bps = range_unsaid(),
        .goodput_bps = range_unsaid(),
        .cycle_ns = range_unsaid(),
        .idle_cycle_ns = range_unsaid(),
        .least_rtt_ns = range_unsaid(),
        .mean_rtt_ns = range_unsaid(),
    };
    const bool is_computed = range_is_said(expectation->channel_bps);

    if (!is_computed && !range_is_said(step->usable_rate_bps)) {
        (void) snprintf(expectation->why, sizeof(expectation->why),
                        "the step has neither usable_rate nor symbol_rate "
                        "with levels");
        return;
    }
    if (channel->mtu_bytes
        <= channel->ip_header_bytes + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES) {
        (void) snprintf(expectation->why, sizeof(expectation->why),
                        "the mtu leaves no room for data after the headers");
        return;
    }
    if (is_computed) {
        channel->rate_bps = expectation->channel_bps;
        expect_on_channel(channel, expectation);
    } else {
        expect_published(channel, step, expectation);
    }
    if (range_is_said(expectation->goodput_bps))
        (void) snprintf(expectation->source, sizeof(expectation->source), "%s",
                        is_computed ? "computed" : "published");
}

void capacity_expect(const struct plan_link *link, const struct plan_step *step,
                     struct expectation *ret_expectation)
{
    struct channel channel = channel_of(link, 1, IPV4_HEADER_BYTES);

    expect(step, &channel, ret_expectation);
}

void capacity_expect_of(const struct plan *plan, const struct plan_step *step,
                        struct expectation *ret_expectation)
{
    uint64_t stations_count = 0;
    bool is_ipv6 = false;

    for (size_t i = 0; i < plan->end_count; i++) {
        stations_count += plan->ends[i].role == ROLE_STATION
                          && plan_end_is_site(&plan->ends[i]);
        is_ipv6 = is_ipv6 || strchr(plan->ends[i].address, ':');
    }
    struct channel channel =
        channel_of(&plan->link, stations_count,
                   is_ipv6 ? IPV6_HEADER_BYTES : IPV4_HEADER_BYTES);

    expect(step, &channel, ret_expectation);
}
