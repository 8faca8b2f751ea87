/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * A receiver acknowledges every second full segment, or the first one when its
 * delayed-acknowledgement timer runs out (RFC 5681 section 4.2).  RFC 1122
 * section 4.2.3.2 allows 500 ms.  Common systems begin with 40 ms and, once
 * segments come further apart, go on to the round trip that they have measured
 * themselves: a receiver that sends nothing but its request has measured that
 * of the handshake (Linux, tcp_send_delayed_ack).  The identification that
 * begins an exchange travels with the handshake's first packet.
 *
 * After a pause longer than its own retransmission timer such a receiver
 * acknowledges the next 16 segments at once (tcp_event_data_recv: "too long
 * gap"): where others have long turns in between, most of a turn.  That timer
 * is the handshake's round trip R and the larger of 2 R (RFC 6298 section 2.2)
 * and 200 ms.
 *
 * While its window still grows it acknowledges every segment (tcp_grow_window).
 * That belongs to the start-up, which is not counted.
 */
static const double timer_least_s = 0.040;
static const double timer_most_s = 0.5;
static const double restart_least_s = 0.2;
static const double quick_count = 16;
static const double handshake_bytes = 40; /* TCP with its options */
static const double identification_bytes = 86;

struct capacity_flow flow_on(const struct channel *channel, enum bound bound)
{
    struct capacity_flow flow = {
        .mtu_bytes = channel->mtu_bytes,
        .header_bytes = channel->ip_header_bytes + TCP_HEADER_BYTES,
        .segments_per_ack = 1,
    };
    const double apart_s = BITS_PER_BYTE
                           * full_frames_bytes(channel, flow.mtu_bytes)
                           / channel->rate_bps.high;

    if (bound == BEST && apart_s <= timer_most_s)
        flow.segments_per_ack = 2;
    if (channel->segments_per_ack > 0)
        flow.segments_per_ack = channel->segments_per_ack;
    if (channel->has_timestamps == SAID_YES
        || (channel->has_timestamps == SAID_NOTHING && bound == WORST))
        flow.header_bytes += TCP_TIMESTAMP_BYTES;
    return flow;
}

/* Common systems send timestamps. */
struct capacity_flow flow_likely(const struct channel *channel)
{
    return flow_on(channel, WORST);
}

/* From segment to segment in one turn; several that end in the same frame
 * come together. */
static double spacing_s(const struct channel *channel)
{
    if (channel->payload_bytes >= 2 * channel->mtu_bytes)
        return 0;
    return BITS_PER_BYTE * full_frames_bytes(channel, channel->mtu_bytes)
           / channel->rate_bps.low;
}

static struct range handshake_s(const struct channel *channel)
{
    const double bytes =
        2 * channel->ip_header_bytes + handshake_bytes + identification_bytes;
    struct round_trip trip;

    expect_trip(channel, 0, 0, bytes, bytes, &trip);
    const double low_s = trip.least_ns.low * 1e-9;

    return range_of(low_s, low_s + trip.spread_ns.high * 1e-9);
}

static struct range timer_s(struct range trip)
{
    return range_of(smaller(larger(trip.low, timer_least_s), timer_most_s),
                    smaller(larger(trip.high, timer_least_s), timer_most_s));
}

static struct range restart_s(struct range trip)
{
    return range_of(trip.low + larger(2 * trip.low, restart_least_s),
                    trip.high + larger(2 * trip.high, restart_least_s));
}

/* How likely it is that the timer, anywhere in its range, outlasts a pause. */
static double outlasts(struct range timer, double pause_s)
{
    if (pause_s <= timer.low)
        return 1;
    if (pause_s >= timer.high)
        return 0;
    return (timer.high - pause_s) / (timer.high - timer.low);
}

/* Pairs within the turn; one that is left over at its end is acknowledged by
 * itself where the pause until the next turn outlasts the timer. */
static double steady_acks(const struct channel *channel, struct range timer,
                          double segments, double pause_s)
{
    const double waits = outlasts(timer, spacing_s(channel));
    const double waits_long = outlasts(timer, pause_s);
    const double left_over = segments > 1 ? 0.25 : segments / 2;
    const double paired = segments / 2 + (1 - waits_long) * left_over;

    return smaller(segments, waits * paired + (1 - waits) * segments);
}

double likely_acks(const struct channel *channel, double segments,
                   double pause_s)
{
    if (channel->segments_per_ack > 0)
        return segments / channel->segments_per_ack;
    const struct range trip = handshake_s(channel);
    const struct range timer = timer_s(trip);
    const double restarts = 1 - outlasts(restart_s(trip), pause_s);
    const double quick = restarts > 0 ? smaller(segments, quick_count) : 0;
    const double steady = steady_acks(channel, timer, segments, pause_s);

    if (!(quick > 0))
        return steady;
    const double restarted =
        quick + steady_acks(channel, timer, segments - quick, pause_s);

    return restarts * restarted + (1 - restarts) * steady;
}

void expect_acknowledging(const struct channel *channel,
                          struct acknowledging *ret_acks)
{
    const struct channel likely = channel_likely(channel);
    const struct range timer = timer_s(handshake_s(&likely));

    *ret_acks = (struct acknowledging){
        .spacing_ns = spacing_s(&likely) * 1e9,
        .timer_ns = range_times(timer, 1e9),
        .segments = range_of(flow_on(channel, WORST).segments_per_ack,
                             flow_on(channel, BEST).segments_per_ack),
    };
    ret_acks->likely_segments =
        channel->segments_per_ack > 0
            ? channel->segments_per_ack
            : 1 / (1 - outlasts(timer, spacing_s(&likely)) / 2);
}
