/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * A packet and its answer on an idle channel.  The packet waits for its end's
 * moment: evenly spread over what comes round (a cycle of idle turns, or the
 * back-off).  From then on everything is fixed, except a back-off of the
 * answer: so the spread is one cycle wide and flat, and the mean is its middle.
 */
struct waits {
    double least_s;  /* fixed part, without the packets' own airtime */
    double spread_s; /* of the first wait, and of the answer's */
    double overhead_s, decided_s; /* in the fixed part */
};

static struct waits waits_for(double least_s, double spread_s)
{
    return (struct waits){ .least_s = least_s, .spread_s = spread_s };
}

/* Turns that pass idle between the two ends' turns, and which there are. */
static struct range turns_between(const struct channel *channel, size_t from,
                                  size_t to)
{
    const double turns = 1 + channel->stations_count;

    if (from == to)
        return range_of(0, turns - 2);
    const double apart = fmod(turns + (double) to - (double) from, turns) - 1;

    return range_of(apart, apart);
}

static struct waits turns_waits(const struct channel *channel, double between,
                                double overhead_s, double least_s,
                                double limit_s)
{
    const double turns = 1 + channel->stations_count;

    if (channel->slots == SLOTS_FIXED && range_is_said(channel->limit_s))
        return waits_for((between + 1) * limit_s, turns * limit_s);
    return waits_for(between * least_s + overhead_s, turns * least_s);
}

/* One transmits at once; the answer is there when its end's turn begins. */
static struct waits alternating_waits(double overhead_s)
{
    return waits_for(2 * overhead_s, 0);
}

static struct waits contention_waits(const struct channel *channel,
                                     double overhead_s)
{
    const double slot_s = channel->contention_slot_s;

    /* Slots count from when the channel became free: for the packet, a random
     * part of one until the next begins; for the answer none. */
    if (channel->has_carrier_sense)
        return waits_for(2 * overhead_s,
                         (2 * channel->contention_window - 1) * slot_s);
    return waits_for(2 * overhead_s, channel->has_edges ? 2 * slot_s : 0);
}

/* The hub at once; several stations when their turn comes. */
static struct waits duplex_waits(const struct channel *channel,
                                 double overhead_s, double least_s,
                                 double limit_s)
{
    const double stations = channel->stations_count;
    const bool is_fixed =
        channel->slots == SLOTS_FIXED && range_is_said(channel->limit_s);

    if (stations < 2)
        return waits_for(2 * overhead_s, 0);
    return waits_for(overhead_s, stations * (is_fixed ? limit_s : least_s));
}

static struct waits access_waits(const struct channel *channel, double between,
                                 double overhead_s, double least_s,
                                 double limit_s)
{
    switch ((enum link_access) channel->access) {
    case ACCESS_ALTERNATING:
        return alternating_waits(overhead_s);
    case ACCESS_CONTENTION:
        return contention_waits(channel, overhead_s);
    case ACCESS_FULL_DUPLEX:
        return duplex_waits(channel, overhead_s, least_s, limit_s);
    case ACCESS_SCHEDULED:
        break;
    }
    return turns_waits(channel, between, overhead_s, least_s, limit_s);
}

/* What the fixed part has in each packet's own airtime.  In fixed slots the
 * answer's turn begins a whole number of slots after the packet's, whatever
 * the packet's length. */
static double air_bytes(const struct channel *channel, double there_bytes,
                        double back_bytes)
{
    const double back = whole_frames_bytes(channel, back_bytes);
    const bool is_fixed = channel->access == ACCESS_SCHEDULED
                          && channel->slots == SLOTS_FIXED
                          && range_is_said(channel->limit_s);

    return is_fixed ? back : whole_frames_bytes(channel, there_bytes) + back;
}

static bool is_of_many(const struct channel *channel)
{
    return channel->access == ACCESS_FULL_DUPLEX && channel->stations_count > 1;
}

/* Where a least slot is shorter than the overhead it is over when it is known
 * to be idle: what comes within the rest of the overhead waits for another
 * turn, so that a packet waits for that much at the least. */
static double decided_s(const struct channel *channel, double overhead_s,
                        double least_s)
{
    const bool is_fixed =
        channel->slots == SLOTS_FIXED && range_is_said(channel->limit_s);
    const bool has_turns =
        channel->access == ACCESS_SCHEDULED || is_of_many(channel);

    return has_turns && !is_fixed ? larger(0, overhead_s - least_s) : 0;
}

static struct waits waits_of(const struct channel *channel, double between,
                             double overhead_s, double least_s, double limit_s,
                             double decided)
{
    struct waits waits =
        access_waits(channel, between, overhead_s, least_s, limit_s);

    waits.least_s += decided;
    waits.decided_s = decided;
    waits.overhead_s = overhead_s;
    return waits;
}

/* --- each way by itself --------------------------------------------------- */

/* What a packet waits at the least, without its airtime: in a round of turns
 * its own may have just begun. */
static double way_wait_s(const struct channel *channel, size_t from, size_t to,
                         const struct waits *waits)
{
    if (channel->access == ACCESS_SCHEDULED)
        return waits->decided_s;
    /* The hub's turn is always; a station's may be now. */
    return !is_of_many(channel) || (from == 0 && to != 0) ? waits->overhead_s
                                                          : waits->decided_s;
}

/* The answer's share of what both wait together. */
static double answer_wait_s(const struct channel *channel, size_t from,
                            size_t to, const struct waits *waits)
{
    return is_of_many(channel)
               ? way_wait_s(channel, to, from, waits)
               : waits->least_s - way_wait_s(channel, from, to, waits);
}

/* The least of one way, from its best and its worst wait. */
static struct range way_ns(const struct channel *channel, double best_s,
                           double worst_s, double bytes)
{
    const double bits = BITS_PER_BYTE * bytes;

    return range_times(range_of(fmax(best_s + bits / channel->rate_bps.high, 0)
                                    + channel->propagation_s,
                                fmax(worst_s + bits / channel->rate_bps.low, 0)
                                    + channel->propagation_s),
                       1e9);
}

struct way_waits {
    struct waits best, worst;
};

static void part_ways(const struct channel *channel, size_t from, size_t to,
                      const struct way_waits *waits, double there_bytes,
                      double both_bytes, struct round_trip *trip)
{
    trip->there_least_ns =
        way_ns(channel, way_wait_s(channel, from, to, &waits->best),
               way_wait_s(channel, from, to, &waits->worst), there_bytes);
    trip->there_airtime_ns = way_ns(channel, 0, 0, there_bytes);
    trip->back_least_ns =
        way_ns(channel, answer_wait_s(channel, from, to, &waits->best),
               answer_wait_s(channel, from, to, &waits->worst),
               both_bytes - there_bytes);
}

/* --- both ways ------------------------------------------------------------ */

void expect_trip(const struct channel *channel, size_t from, size_t to,
                 double there_bytes, double back_bytes,
                 struct round_trip *ret_trip)
{
    const struct range between = turns_between(channel, from, to);
    const double both_bytes = air_bytes(channel, there_bytes, back_bytes);
    const double bits = BITS_PER_BYTE * both_bytes;
    const struct channel likely = channel_likely(channel);
    const struct range overhead_s = channel->overhead_s;
    const struct range least_s = channel->least_s;
    const struct waits best = waits_of(
        channel, between.low, overhead_s.low, least_s.low, channel->limit_s.low,
        decided_s(channel, overhead_s.low, least_s.high));
    const struct waits worst =
        waits_of(channel, between.high, overhead_s.high, least_s.high,
                 channel->limit_s.high,
                 decided_s(channel, overhead_s.high, least_s.low));
    const struct waits middle =
        waits_of(&likely, range_middle(between), likely.overhead_s.low,
                 likely.least_s.low, likely.limit_s.low,
                 decided_s(&likely, likely.overhead_s.low, likely.least_s.low));
    const double far_s = 2 * channel->propagation_s;
    const struct range fixed_s = {
        best.least_s + bits / channel->rate_bps.high + far_s,
        worst.least_s + bits / channel->rate_bps.low + far_s
    };

    *ret_trip = (struct round_trip){
        .least_ns = range_times(fixed_s, 1e9),
        .mean_ns = range_times(range_of(fixed_s.low + best.spread_s / 2,
                                        fixed_s.high + worst.spread_s / 2),
                               1e9),
        .spread_ns = range_times(range_of(best.spread_s, worst.spread_s), 1e9),
        .likely_least_ns =
            (middle.least_s + bits / likely.rate_bps.low + far_s) * 1e9,
    };
    ret_trip->likely_mean_ns =
        ret_trip->likely_least_ns + middle.spread_s / 2 * 1e9;
    part_ways(channel, from, to, &(struct way_waits){ best, worst },
              whole_frames_bytes(channel, there_bytes), both_bytes, ret_trip);
}

static struct range idle_cycle_ns(const struct channel *channel)
{
    const double turns = 1 + channel->stations_count;

    if (channel->access != ACCESS_SCHEDULED)
        return range_unsaid();
    if (channel->slots == SLOTS_FIXED && range_is_said(channel->limit_s))
        return range_times(channel->limit_s, turns * 1e9);
    return range_times(channel->least_s, turns * 1e9);
}

void expect_trips(const struct channel *channel,
                  struct expectation *expectation)
{
    const double bytes =
        channel->echo_bytes + ECHO_HEADER_BYTES + channel->ip_header_bytes;
    struct round_trip trip;

    expect_trip(channel, 0, 0, bytes, bytes, &trip);
    expectation->idle_cycle_ns = idle_cycle_ns(channel);
    expectation->least_rtt_ns = trip.least_ns;
    expectation->mean_rtt_ns = trip.mean_ns;
    expectation->spread_rtt_ns = trip.spread_ns;
    expectation->likely_least_rtt_ns = trip.likely_least_ns;
    expectation->likely_mean_rtt_ns = trip.likely_mean_ns;
}
