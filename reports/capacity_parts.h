/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CAPACITY_PARTS_H
#define REPORTS_CAPACITY_PARTS_H

#include "reports/capacity.h"

/*
 * What the files of the expectation tell each other.
 *
 * A figure is worked out three times.  The bounds take all that is uncertain at
 * its worst and at its best; they are smooth and monotone in every input, so
 * that a wider input never narrows the range, a faster channel never lowers it
 * and more overhead never raises it.  The likely value takes every range at its
 * middle, whole bytes and whole frames, and TCP as common systems have it.
 */

enum bound {
    WORST,
    BEST
};

/* The channel in SI units, and what the situation adds. */
struct channel {
    int access, slots;
    struct range symbol_bps; /* channel bits; unsaid: not known */
    struct range rate_bps;   /* coded bits */
    struct range overhead_s, least_s;
    struct range limit_s; /* unsaid: none */
    double payload_bytes; /* INFINITY: a transmission is one frame */
    double frame_overhead_bytes;
    double mtu_bytes, ip_header_bytes;
    double stations_count;
    double propagation_s;
    double repeats_count, repeats_delay_s;
    bool has_carrier_sense, has_edges;
    double contention_slot_s, contention_window, contention_window_most;
    /* Of the situation. */
    int has_timestamps, has_framing;
    double echo_bytes;
    double window_bytes; /* INFINITY: open */
    double segments_per_ack;
    struct range loss_ratio; /* unsaid: none */
    double frame_loss_ratio;
};

struct channel channel_of(const struct plan *plan, const struct plan_step *step,
                          const struct situation *situation);
/* Every range at its middle. */
struct channel channel_likely(const struct channel *channel);

/* --- TCP on it ----------------------------------------------------------- */

struct capacity_flow flow_on(const struct channel *channel, enum bound bound);
struct capacity_flow flow_likely(const struct channel *channel);
void expect_acknowledging(const struct channel *channel,
                          struct acknowledging *ret_acks);
/* Acknowledgements that so many segments of one turn bring back. */
double likely_acks(const struct channel *channel, double segments,
                   double pause_s);

/* Of TCP's payload, what HTTP's framing leaves. */
double framing_left(const struct channel *channel, enum bound bound);
double framing_left_likely(const struct channel *channel);

/* --- bytes on the air ---------------------------------------------------- */

/* For so many IP bytes in full frames, and in whole ones. */
double full_frames_bytes(const struct channel *channel, double bytes);
double whole_frames_bytes(const struct channel *channel, double bytes);
/* ... for so many packets on average, never more than one apart. */
double whole_packets_bytes(const struct channel *channel, double packets,
                           double packet_bytes);

/* A transmission to its limit. */
struct burst {
    double data_bytes, air_bytes;
};
struct burst slot_burst(const struct channel *channel);

/* --- by access: the likely rates and the bounds -------------------------- */

struct rates {
    double frames_bps, ip_bps; /* of packets that fill the air, alone */
    double tcp_bps;            /* payload of segments */
    double cycle_s;
    int binds; /* enum capacity_term */
};

struct bounds {
    struct range ip_bps, tcp_bps;
    struct range cycle_s;
    const char *why; /* NULL: nothing to say */
};

void turns_bounds(const struct channel *channel, struct bounds *bounds);
void duplex_bounds(const struct channel *channel, int way,
                   struct bounds *bounds);
void contention_bounds(const struct channel *channel, struct bounds *bounds);

/* Where the maker's figure is all there is. */
struct range published_ip_bps(const struct channel *channel,
                              const struct plan_step *step);
void published_bounds(const struct channel *channel,
                      const struct plan_step *step, struct bounds *bounds);
void published_rates(const struct channel *channel,
                     const struct plan_step *step, struct rates *rates);

/* Flows that run together, by turn: 0 is the hub, stations follow. */
struct stream {
    size_t from, to;
    int traffic;
    double wanted_bps; /* INFINITY: all; of file bytes or IP */
    /* Out. */
    double ip_bps, tcp_bps; /* tcp: payload, NaN for UDP */
    double airtime_ratio;
};

/* channel: a likely one. */
void streams_run(const struct channel *channel, struct stream *streams,
                 size_t count, struct rates *ret_rates);
void turns_run(const struct channel *channel, struct stream *streams,
               size_t count, struct rates *ret_rates);
void contention_run(const struct channel *channel, struct stream *streams,
                    size_t count, struct rates *rates);

/* Who contends for the channel: some always have data, others only what
 * acknowledges it. */
struct contenders {
    size_t senders_count, receivers_count;
    double window, window_most;
    bool widens;                  /* after collisions, to window_most */
    double slot_s, data_s, ack_s; /* a slot, and what each of them sends */
};

/* The time for a burst of data to get through, whoever's. */
double contenders_round_s(const struct contenders *of);

/* --- round trips, loss --------------------------------------------------- */

void expect_trips(const struct channel *channel,
                  struct expectation *expectation);
/* Between the hub and the station with that turn; 0: any. */
void expect_trip(const struct channel *channel, size_t from, size_t to,
                 double there_bytes, double back_bytes,
                 struct round_trip *ret_trip);

/* What TCP makes of losses that it sees; a wide range. */
struct range loss_bps(const struct channel *channel, struct range rtt_s);

static inline struct range range_of(double low, double high)
{
    return (struct range){ low, high };
}

static inline struct range range_times(struct range range, double factor)
{
    return range_of(range.low * factor, range.high * factor);
}

/* The end of the range that is better for the flow. */
static inline double pick(struct range range, enum bound bound,
                          bool more_is_better)
{
    return (bound == BEST) == more_is_better ? range.high : range.low;
}

static inline double larger(double a, double b)
{
    return a > b ? a : b;
}

static inline double smaller(double a, double b)
{
    return a < b ? a : b;
}

#endif
