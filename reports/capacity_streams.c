/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

#include <string.h>

/*
 * What flows that run together get where the ends take turns: the likely
 * values.  An end's turn carries its acknowledgements and, in what is left of
 * the slot, its data, shared evenly by its flows.  How many acknowledgements
 * there are depends on the data of the others, and the length of the cycle on
 * both: worked out by going round until it stands still.
 *
 * A window goes round in a cycle, and in the time that what fills it waits in
 * the queues of both ends: acknowledgements stand behind the other way's data,
 * so that of windows of one size only one way need be full (L. Zhang,
 * S. Shenker, D. D. Clark, "Observations on the dynamics of a congestion
 * control algorithm: the effects of two-way traffic", SIGCOMM 1991).  A window
 * that is open grows until its own turn is full.
 */
#define ENDS_MAX    PLAN_ENDS_MAX
#define STREAMS_MAX PLAN_GROUP_MAX
#define ROUNDS      200
#define HALVINGS    50

static const double still_ratio = 1e-13;
static const double for_ever_s = 1e9;

/* The ends that share one channel by turns: all of them, or with full duplex
 * the hub alone and the stations. */
struct ring {
    size_t first, end;
    double cycle_s;
};

struct turn {
    double acks_count; /* that it has to carry */
    double data_bytes; /* of IP, without them */
    double air_bytes;  /* with frames */
    double duration_s;
    double queue_s; /* what arrives waits so long for a turn with room */
    bool has_data, is_full;
};

struct rings {
    const struct channel *channel; /* likely */
    struct burst burst;
    struct capacity_flow flow;
    struct ring rings[2];
    size_t ring_count;
    struct turn turns[ENDS_MAX];
    struct stream *streams;
    size_t stream_count;
    double bytes[STREAMS_MAX]; /* IP bytes a turn */
    double caps[STREAMS_MAX];  /* most of them: what acknowledgements allow */
    bool window_binds, acks_bind, has_moved;
};

static struct ring *ring_of(struct rings *rings, size_t end)
{
    return &rings->rings[rings->ring_count > 1 && end > 0];
}

static double air_s(const struct rings *rings, double bytes)
{
    return BITS_PER_BYTE * bytes / rings->channel->rate_bps.low;
}

/* The pause between a turn's last segment and the next turn's first. */
static double pause_s(struct rings *rings, size_t from)
{
    const struct turn *turn = &rings->turns[from];

    return ring_of(rings, from)->cycle_s - turn->duration_s
           + rings->channel->overhead_s.low
           + air_s(rings,
                   full_frames_bytes(rings->channel, rings->flow.mtu_bytes));
}

static void count_acks(struct rings *rings)
{
    for (size_t i = 0; i < ENDS_MAX; i++)
        rings->turns[i].acks_count = 0;
    for (size_t i = 0; i < rings->stream_count; i++) {
        const struct stream *stream = &rings->streams[i];

        if (stream->traffic != TRAFFIC_TCP)
            continue;
        const double acks =
            likely_acks(rings->channel, rings->bytes[i] / rings->flow.mtu_bytes,
                        pause_s(rings, stream->from));

        rings->turns[stream->to].acks_count +=
            acks * ring_of(rings, stream->to)->cycle_s
            / ring_of(rings, stream->from)->cycle_s;
    }
}

/* Most IP bytes that a stream wants to send in a turn. */
static double wanted_bytes(struct rings *rings, size_t index)
{
    const struct stream *stream = &rings->streams[index];
    const struct channel *channel = rings->channel;
    double per_wanted = 1;

    if (stream->traffic == TRAFFIC_TCP)
        per_wanted =
            capacity_content_ratio(&rings->flow) * framing_left_likely(channel);
    double bytes = stream->wanted_bps / BITS_PER_BYTE / per_wanted
                   * ring_of(rings, stream->from)->cycle_s;

    if (stream->traffic == TRAFFIC_TCP && !isinf(channel->window_bytes)) {
        const double mtu_bytes = rings->flow.mtu_bytes;
        const double segments =
            larger(1, floor(channel->window_bytes / mtu_bytes));
        const double cycle_s = ring_of(rings, stream->from)->cycle_s;
        const double queues_s = rings->turns[stream->from].queue_s
                                + rings->turns[stream->to].queue_s;

        bytes = smaller(bytes,
                        segments * mtu_bytes * cycle_s / (cycle_s + queues_s));
    }
    return smaller(bytes, rings->caps[index]);
}

static double wanted_from(struct rings *rings, size_t end)
{
    double bytes = 0;

    for (size_t i = 0; i < rings->stream_count; i++) {
        if (rings->streams[i].from == end)
            bytes += wanted_bytes(rings, i);
    }
    return bytes;
}

/* Windows that want more than a turn has room for stand in its queue, as long
 * as they must to want no more than that. */
static void fill_queue(struct rings *rings, size_t end, double room)
{
    double *queue_s = &rings->turns[end].queue_s;
    double least_s = 0;

    *queue_s = 0;
    if (isinf(rings->channel->window_bytes) || wanted_from(rings, end) <= room)
        return;
    /* Longer than for all windows they don't wait: w c / (c + q) < w c / q. */
    const double windows_bytes =
        (double) rings->stream_count
        * larger(rings->channel->window_bytes, rings->flow.mtu_bytes);
    double most_s = room > 0
                        ? windows_bytes * ring_of(rings, end)->cycle_s / room
                        : for_ever_s;

    for (int i = 0; i < HALVINGS; i++) {
        *queue_s = (least_s + most_s) / 2;
        if (wanted_from(rings, end) > room)
            least_s = *queue_s;
        else
            most_s = *queue_s;
    }
    *queue_s = least_s;
}

static void share_turn(struct rings *rings, size_t end)
{
    double wanted[STREAMS_MAX];
    double shares[STREAMS_MAX];
    size_t of[STREAMS_MAX];
    size_t count = 0;
    struct turn *turn = &rings->turns[end];
    const double room =
        larger(0, rings->burst.data_bytes
                      - turn->acks_count * rings->flow.header_bytes);

    fill_queue(rings, end, room);
    for (size_t i = 0; i < rings->stream_count; i++) {
        if (rings->streams[i].from != end)
            continue;
        wanted[count] = wanted_bytes(rings, i);
        of[count++] = i;
    }
    capacity_max_min(room, wanted, NULL, count, shares);
    turn->data_bytes = 0;
    for (size_t i = 0; i < count; i++) {
        rings->has_moved =
            rings->has_moved
            || fabs(rings->bytes[of[i]] - shares[i]) > still_ratio * shares[i];
        rings->bytes[of[i]] = shares[i];
        turn->data_bytes += shares[i];
        if (shares[i] < room / (double) count * (1 - 1e-9)
            && !isinf(rings->channel->window_bytes))
            rings->window_binds = true;
    }
    turn->has_data = count > 0;
    turn->is_full = count > 0 && turn->data_bytes >= room * (1 - 1e-9);
}

/* Acknowledgements that do not fit hold the data back. */
static void hold_back(struct rings *rings, size_t end)
{
    const double bytes =
        rings->turns[end].acks_count * rings->flow.header_bytes;

    if (!(bytes > rings->burst.data_bytes))
        return;
    rings->acks_bind = true;
    for (size_t i = 0; i < rings->stream_count; i++) {
        if (rings->streams[i].to == end)
            rings->caps[i] = smaller(rings->caps[i], rings->bytes[i])
                             * rings->burst.data_bytes / bytes;
    }
}

/* With full duplex the hub and a single station send whenever they like. */
static bool has_fixed_turn(const struct rings *rings, size_t end)
{
    const struct channel *channel = rings->channel;
    const bool is_free =
        rings->ring_count > 1 && (end == 0 || channel->stations_count < 2);

    return channel->slots == SLOTS_FIXED
           && channel->access != ACCESS_ALTERNATING && !is_free;
}

static void measure_turn(struct rings *rings, size_t end)
{
    const struct channel *channel = rings->channel;
    struct turn *turn = &rings->turns[end];
    const double ack_bytes = rings->flow.header_bytes;
    const double often = smaller(1, turn->acks_count);

    if (turn->is_full) {
        turn->air_bytes = rings->burst.air_bytes;
        turn->duration_s =
            channel->overhead_s.low + air_s(rings, turn->air_bytes);
    } else if (turn->has_data) {
        turn->air_bytes = whole_frames_bytes(
            channel, turn->data_bytes + turn->acks_count * ack_bytes);
        turn->duration_s =
            channel->overhead_s.low + air_s(rings, turn->air_bytes);
    } else {
        turn->air_bytes =
            whole_packets_bytes(channel, turn->acks_count, ack_bytes);
        turn->duration_s = often * channel->overhead_s.low
                           + (1 - often) * channel->least_s.low
                           + air_s(rings, turn->air_bytes);
    }
    if (has_fixed_turn(rings, end))
        turn->duration_s = larger(turn->duration_s, channel->limit_s.low);
}

/* Whether it stands still. */
static bool go_round(struct rings *rings)
{
    bool is_still = true;

    rings->window_binds = rings->acks_bind = rings->has_moved = false;
    count_acks(rings);
    for (size_t i = 0; i < rings->ring_count; i++) {
        struct ring *ring = &rings->rings[i];
        double cycle_s = 0;

        for (size_t end = ring->first; end < ring->end; end++) {
            share_turn(rings, end);
            hold_back(rings, end);
            measure_turn(rings, end);
            cycle_s += rings->turns[end].duration_s;
        }
        is_still = is_still && !rings->acks_bind && !rings->has_moved
                   && fabs(ring->cycle_s - cycle_s) <= still_ratio * cycle_s;
        ring->cycle_s = (ring->cycle_s + cycle_s) / 2;
    }
    return is_still;
}

/* The share of time that a stream's own bytes are on the air. */
static double airtime_of(struct rings *rings, const struct stream *stream)
{
    double bytes = full_frames_bytes(rings->channel, stream->ip_bps);

    if (stream->traffic == TRAFFIC_TCP) {
        const struct turn *answer = &rings->turns[stream->to];
        double into = 0;

        for (size_t i = 0; i < rings->stream_count; i++) {
            if (rings->streams[i].to == stream->to
                && rings->streams[i].traffic == TRAFFIC_TCP)
                into += rings->streams[i].ip_bps;
        }
        bytes +=
            full_frames_bytes(rings->channel, BITS_PER_BYTE * answer->acks_count
                                                  * rings->flow.header_bytes)
            / ring_of(rings, stream->to)->cycle_s
            * (into > 0 ? stream->ip_bps / into : 0);
    }
    return bytes / rings->channel->rate_bps.low;
}

static void tell_streams(struct rings *rings)
{
    for (size_t i = 0; i < rings->stream_count; i++) {
        struct stream *stream = &rings->streams[i];

        stream->ip_bps = BITS_PER_BYTE * rings->bytes[i]
                         / ring_of(rings, stream->from)->cycle_s;
        stream->tcp_bps =
            stream->traffic == TRAFFIC_TCP
                ? stream->ip_bps * capacity_content_ratio(&rings->flow)
                : (double) NAN;
    }
    for (size_t i = 0; i < rings->stream_count; i++)
        rings->streams[i].airtime_ratio = airtime_of(rings, &rings->streams[i]);
}

static void tell_rates(struct rings *rings, struct rates *ret_rates)
{
    const struct stream *first = &rings->streams[0];

    *ret_rates = (struct rates){
        .frames_bps = BITS_PER_BYTE * rings->turns[first->from].air_bytes
                      / ring_of(rings, first->from)->cycle_s,
        .ip_bps = first->ip_bps,
        .tcp_bps = first->tcp_bps,
        .cycle_s = ring_of(rings, first->from)->cycle_s,
        .binds = rings->acks_bind      ? TERM_ACKNOWLEDGEMENTS
                 : rings->window_binds ? TERM_WINDOW
                                       : TERM_AIR,
    };
}

static void unsay(struct stream *streams, size_t count, struct rates *rates)
{
    for (size_t i = 0; i < count; i++)
        streams[i].ip_bps = streams[i].tcp_bps = streams[i].airtime_ratio =
            (double) NAN;
    *rates = (struct rates){ (double) NAN, (double) NAN, (double) NAN,
                             (double) NAN, TERM_UNKNOWN };
}

void turns_run(const struct channel *channel, struct stream *streams,
               size_t count, struct rates *ret_rates)
{
    struct channel long_enough = *channel;
    const size_t ends = 1 + (size_t) channel->stations_count;
    const bool is_duplex = channel->access == ACCESS_FULL_DUPLEX;
    struct rings rings = {
        .channel = &long_enough,
        .flow = flow_likely(channel),
        .rings = { { 0, is_duplex ? 1 : ends, 0 }, { 1, ends, 0 } },
        .ring_count = is_duplex ? 2 : 1,
        .streams = streams,
        .stream_count = count,
    };

    /* Without a limit a transmission lasts as long as there are data: as good
     * as a very long slot, unless the window ends it before. */
    if (!range_is_said(channel->limit_s)) {
        if (!is_duplex && isinf(channel->window_bytes)) {
            unsay(streams, count, ret_rates);
            return;
        }
        long_enough.limit_s = range_of(for_ever_s, for_ever_s);
        long_enough.slots = SLOTS_ADAPTIVE;
    }
    rings.burst = slot_burst(&long_enough);
    if (!(rings.burst.data_bytes > 0) || count > STREAMS_MAX) {
        unsay(streams, count, ret_rates);
        return;
    }
    for (size_t i = 0; i < count; i++)
        rings.caps[i] = (double) INFINITY;
    for (size_t i = 0; i < rings.ring_count; i++)
        rings.rings[i].cycle_s = long_enough.limit_s.low;
    bool is_still = false;

    for (int i = 0; i < ROUNDS && !is_still; i++)
        is_still = go_round(&rings);
    tell_streams(&rings);
    tell_rates(&rings, ret_rates);
}
