/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * Each sends when the channel is free.  A sender of data always has some; its
 * receiver has acknowledgements after each of its transmissions.  With carrier
 * sense both count down numbers drawn from the window: the lower one goes
 * first, and equal ones collide.  Where there are more of them
 * (capacity_contenders.c), it takes as much longer.
 */

/* At the worst half of the channel's time goes into further waiting and
 * collisions.  A rule of thumb: nothing in a plan says better. */
static const double worst_ratio = 0.5;

#define WINDOW_MAX 1024 /* larger windows count as this one, scaled */

static const char wide_why[] =
    "wide: with contention, how often transmissions collide depends on who "
    "else has something to send";
static const char blind_why[] =
    "wide: without carrier sense, data and their acknowledgements destroy "
    "each other";

/* --- bounds -------------------------------------------------------------- */

static double longest_wait_s(const struct channel *channel)
{
    return channel->has_carrier_sense || channel->has_edges
               ? channel->contention_slot_s * channel->contention_window
               : 0;
}

/* A transmission carries one packet at the least. */
static double one_by_one_bps(const struct channel *channel,
                             double content_bytes, double air_bytes,
                             double transmissions)
{
    return BITS_PER_BYTE * content_bytes
           / (transmissions
                  * (channel->overhead_s.high + longest_wait_s(channel))
              + BITS_PER_BYTE * air_bytes / channel->rate_bps.low);
}

void contention_bounds(const struct channel *channel, struct bounds *bounds)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const struct capacity_flow best = flow_on(channel, BEST);
    const double mss_bytes = worst.mtu_bytes - worst.header_bytes;
    const double full = full_frames_bytes(channel, channel->mtu_bytes);
    const double data_air = full + channel->frame_overhead_bytes;
    const double ack_air = full_frames_bytes(channel, worst.header_bytes)
                           + channel->frame_overhead_bytes;
    const double best_ack =
        full_frames_bytes(channel, best.header_bytes / best.segments_per_ack);
    const double lost = channel->repeats_count > 0 ? 1 : worst_ratio;

    bounds->ip_bps = range_of(
        worst_ratio * one_by_one_bps(channel, channel->mtu_bytes, data_air, 1),
        channel->rate_bps.high * channel->mtu_bytes / full);
    bounds->tcp_bps = range_of(
        worst_ratio * lost
            * one_by_one_bps(channel, mss_bytes, data_air + ack_air, 2),
        channel->rate_bps.high * (best.mtu_bytes - best.header_bytes)
            / (full + best_ack));
    bounds->why = channel->has_carrier_sense ? wide_why : blind_why;
}

/* --- the likely course with carrier sense -------------------------------- */

/* What happens, on average, until the acknowledgements have got through. */
struct course {
    double idle_slots, data_bursts, collisions;
};

static struct course course_plus(struct course a, struct course b, double share)
{
    return (struct course){ a.idle_slots + share * b.idle_slots,
                            a.data_bursts + share * b.data_bursts,
                            a.collisions + share * b.collisions };
}

/* After a collision both draw from a wider window: the data go first in half
 * of the other cases, and the acknowledgements in the other half. */
static struct course after_collision(const struct channel *channel,
                                     double window)
{
    const double most = channel->contention_window_most;
    const bool widens = channel->repeats_count > 0;
    const double next = widens ? smaller(2 * window, most) : window;
    /* The lower of two even draws from 0 to n - 1: (n - 1)(2n - 1) / 6n. */
    struct course course = { (next - 1) * (2 * next - 1) / (6 * next), 0, 0 };
    const double again = 1 / next;

    if (next > window) {
        course.collisions += again;
        course = course_plus(course, after_collision(channel, next), again);
    } else { /* the same again and again: a geometric series */
        course.collisions += again / (1 - again + 1e-12);
        course.idle_slots /= 1 - again + 1e-12;
    }
    /* Half of the time it is the data: then the acknowledgements wait on, in
     * the mean a third of the window. */
    course.data_bursts += 0.5;
    course.idle_slots += 0.5 * next / 3;
    return course;
}

/*
 * ret[v]: the acknowledgements have v slots to wait, and the sender of data
 * draws anew, u from 0 to window - 1:
 *   u < v   data go first, and v - u are left
 *   u > v   the acknowledgements go; the data go u - v slots after them
 *   u = v   collision
 */
static void courses(const struct channel *channel, size_t window,
                    struct course *ret)
{
    const double n = (double) window;
    const struct course collided = after_collision(channel, n);

    for (size_t v = 0; v < window; v++) {
        struct course sum = { 0, 0, 0 };
        double self = 0; /* u = 0: v are left again */

        for (size_t u = 0; u < window; u++) {
            if (u < v) {
                sum = course_plus(sum, (struct course){ (double) u, 1, 0 }, 1);
                if (u == 0)
                    self = 1 / n;
                else
                    sum = course_plus(sum, ret[v - u], 1);
            } else if (u > v) {
                sum = course_plus(sum, (struct course){ (double) u, 0, 0 }, 1);
            } else {
                sum = course_plus(sum, (struct course){ (double) u, 0, 1 }, 1);
                sum = course_plus(sum, collided, 1);
            }
        }
        ret[v] =
            course_plus((struct course){ 0, 0, 0 }, sum, 1 / n / (1 - self));
    }
}

/* From one success of the acknowledgements to the next. */
static struct course mean_course(const struct channel *channel)
{
    static const size_t most = WINDOW_MAX;
    struct course by_wait[WINDOW_MAX];
    const size_t window = (size_t) channel->contention_window > most
                              ? most
                              : (size_t) channel->contention_window;
    struct course mean = { 0, 1, 0 };

    courses(channel, window, by_wait);
    for (size_t v = 0; v < window; v++)
        mean = course_plus(mean, by_wait[v], 1 / (double) window);
    return mean;
}

static double burst_s(const struct channel *channel, double air_bytes)
{
    return channel->overhead_s.low
           + BITS_PER_BYTE * air_bytes / channel->rate_bps.low;
}

/* From a burst's last segment to the first of the next: acknowledgements, a
 * wait, and the segment. */
static double pause_s(const struct channel *channel)
{
    const double segment_bytes = full_frames_bytes(channel, channel->mtu_bytes);

    return channel->overhead_s.low
           + (channel->contention_window - 1) / 2 * channel->contention_slot_s
           + burst_s(channel, segment_bytes);
}

/* --- who contends --------------------------------------------------------- */

/* Ends that have data of their own send their acknowledgements along with
 * them. */
struct crowd {
    size_t senders_count, receivers_count;
    double along_ratio; /* of the flows: acknowledged by such an end */
};

static struct crowd crowd_of(const struct stream *streams, size_t count)
{
    bool sends[PLAN_ENDS_MAX] = { false };
    bool answers[PLAN_ENDS_MAX] = { false };
    struct crowd crowd = { 0, 0, 0 };

    for (size_t i = 0; i < count; i++)
        sends[streams[i].from] = true;
    for (size_t i = 0; i < count; i++) {
        const bool is_tcp = streams[i].traffic == TRAFFIC_TCP;

        answers[streams[i].to] |= is_tcp && !sends[streams[i].to];
        crowd.along_ratio += is_tcp && sends[streams[i].to];
    }
    for (size_t end = 0; end < PLAN_ENDS_MAX; end++) {
        crowd.senders_count += sends[end];
        crowd.receivers_count += answers[end];
    }
    crowd.along_ratio /= (double) count;
    return crowd;
}

/* How much longer a burst of data takes to get through than among so many. */
static double crowded_ratio(const struct channel *channel,
                            const struct crowd *crowd, size_t receivers_alone,
                            double data_s, double acks_count)
{
    struct contenders contenders = {
        .senders_count = 1,
        .receivers_count = receivers_alone,
        .window = channel->contention_window,
        .window_most = channel->contention_window_most,
        .widens = channel->repeats_count > 0,
        .slot_s = channel->contention_slot_s,
        .data_s = data_s,
    };
    const double header_bytes = flow_likely(channel).header_bytes;
    double round_s[2];

    if (!channel->has_carrier_sense
        || (crowd->senders_count == 1
            && crowd->receivers_count == receivers_alone))
        return 1;
    for (int is_crowded = 0; is_crowded < 2; is_crowded++) {
        if (is_crowded) {
            contenders.senders_count = crowd->senders_count;
            contenders.receivers_count = crowd->receivers_count;
        }
        /* Each burst of acknowledgements is for so many bursts of data. */
        const double answers =
            (double) (contenders.senders_count + contenders.receivers_count)
            / larger(1, (double) contenders.receivers_count);

        contenders.ack_s =
            burst_s(channel, whole_packets_bytes(channel, acks_count * answers,
                                                 header_bytes));
        round_s[is_crowded] = contenders_round_s(&contenders);
    }
    return round_s[1] / round_s[0];
}

/* Flows whose acknowledgements contend with them: what they carry together. */
static void run_tcp(const struct channel *channel, const struct burst *burst,
                    struct stream *streams, size_t count, struct rates *rates)
{
    const struct capacity_flow flow = flow_likely(channel);
    const struct crowd crowd = crowd_of(streams, count);
    const struct course course = mean_course(channel);
    const double data_s = burst_s(channel, burst->air_bytes);
    const double segments =
        course.data_bursts * burst->data_bytes / flow.mtu_bytes;
    const double acks = likely_acks(
        channel, segments, pause_s(channel) + (double) (count - 1) * data_s);
    const double along = 1
                         + crowd.along_ratio * acks / segments
                               * flow.header_bytes / flow.mtu_bytes;
    const double cycle_s =
        course.idle_slots * channel->contention_slot_s
        + (course.data_bursts + course.collisions) * data_s
        + burst_s(channel,
                  whole_packets_bytes(channel, acks, flow.header_bytes));
    const double longer =
        crowded_ratio(channel, &crowd, 1, data_s, acks / course.data_bursts);

    streams[0].ip_bps =
        BITS_PER_BYTE * segments * flow.mtu_bytes / (cycle_s * longer * along);
    streams[0].tcp_bps = streams[0].ip_bps * capacity_content_ratio(&flow);
    rates->cycle_s = cycle_s;
}

/*
 * A window that goes round: so many segments, in one burst or in several, and
 * what acknowledges them.  Each waits alone, for the other has nothing to send
 * meanwhile.
 */
static double window_bps(const struct channel *channel,
                         const struct burst *burst)
{
    const struct capacity_flow flow = flow_likely(channel);
    const double segments =
        larger(1, floor(channel->window_bytes / flow.mtu_bytes));
    const double bytes = segments * flow.mtu_bytes;
    const double bursts = larger(1, ceil(bytes / burst->data_bytes));
    const double wait_s =
        (channel->contention_window - 1) / 2 * channel->contention_slot_s;
    const double acks = likely_acks(channel, segments, pause_s(channel));
    const double round_s =
        bursts * (wait_s + channel->overhead_s.low)
        + BITS_PER_BYTE * full_frames_bytes(channel, bytes)
              / channel->rate_bps.low
        + wait_s
        + burst_s(channel,
                  whole_packets_bytes(channel, acks, flow.header_bytes))
        + 2 * channel->propagation_s;

    return BITS_PER_BYTE * segments * (flow.mtu_bytes - flow.header_bytes)
           / round_s;
}

/* The slower of the open course and what the windows let through. */
static void hold_by_window(const struct channel *channel,
                           const struct burst *burst, struct stream *stream,
                           size_t count, struct rates *rates)
{
    const struct capacity_flow flow = flow_likely(channel);

    if (isinf(channel->window_bytes))
        return;
    const double held_bps = (double) count * window_bps(channel, burst);

    if (held_bps >= stream->tcp_bps)
        return;
    stream->tcp_bps = held_bps;
    stream->ip_bps = held_bps / capacity_content_ratio(&flow);
    rates->binds = TERM_WINDOW;
}

static void run_udp(const struct channel *channel, const struct burst *burst,
                    struct stream *streams, size_t count, struct rates *rates)
{
    const double wait_s =
        channel->has_carrier_sense
            ? (channel->contention_window - 1) / 2 * channel->contention_slot_s
            : 0;
    const double data_s = burst_s(channel, burst->air_bytes);
    const struct crowd crowd = crowd_of(streams, count);

    rates->cycle_s =
        (wait_s + data_s) * crowded_ratio(channel, &crowd, 0, data_s, 0);
    streams[0].ip_bps = BITS_PER_BYTE * burst->data_bytes / rates->cycle_s;
    streams[0].tcp_bps = (double) NAN;
    rates->frames_bps = BITS_PER_BYTE * burst->air_bytes / rates->cycle_s;
}

static void unsay(struct stream *streams, size_t count, struct rates *rates)
{
    for (size_t i = 0; i < count; i++)
        streams[i].ip_bps = streams[i].tcp_bps = streams[i].airtime_ratio =
            (double) NAN;
    *rates = (struct rates){ (double) NAN, (double) NAN, (double) NAN,
                             (double) NAN, TERM_UNKNOWN };
}

/* Senders are not preferred, nor are the flows of one. */
static double part_of(const struct stream *streams, size_t count, size_t which,
                      size_t senders_count)
{
    double same = 0;

    for (size_t i = 0; i < count; i++)
        same += streams[i].from == streams[which].from;
    return 1 / same / (double) senders_count;
}

void contention_run(const struct channel *channel, struct stream *streams,
                    size_t count, struct rates *rates)
{
    const bool is_limited = range_is_said(channel->limit_s);
    const struct burst burst = slot_burst(channel);
    const bool is_tcp = streams[0].traffic == TRAFFIC_TCP;

    unsay(streams, count, rates);
    if (!is_limited || !(burst.data_bytes > 0)
        || (is_tcp
            && (!channel->has_carrier_sense || !(channel->repeats_count > 0))))
        return;
    rates->binds = TERM_AIR;
    if (is_tcp) {
        run_tcp(channel, &burst, streams, count, rates);
        hold_by_window(channel, &burst, &streams[0], count, rates);
    } else {
        run_udp(channel, &burst, streams, count, rates);
    }
    rates->ip_bps = streams[0].ip_bps;
    rates->tcp_bps = streams[0].tcp_bps;
    const size_t senders_count = crowd_of(streams, count).senders_count;

    for (size_t i = 0; i < count; i++) {
        const double part = part_of(streams, count, i, senders_count);

        streams[i].ip_bps = rates->ip_bps * part;
        streams[i].tcp_bps = rates->tcp_bps * part;
        streams[i].airtime_ratio = part;
    }
}
