/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CAPACITY_H
#define REPORTS_CAPACITY_H

#include "reports/capacity_arithmetic.h"

#include <bothends/plan.h>

/*
 * What a step should carry: ranges with a source (published, computed, or
 * reference: the user's own run).  Acknowledgements are paid for in the other
 * direction's airtime on channels that both directions share.  Shares no code
 * with the practice link: the two check each other.
 */

/*
 * Bits per second, averaged over whole access cycles, except for the first two,
 * which hold while the carrier is on:
 *   channel   symbol rate x log2 levels
 *   coded     what the code leaves of them: x code rate
 *   frames    frames with their own overhead
 *   IP        RFC 5136 section 2.3: from the IP header on
 *   UDP       payload of full packets (RFC 768)
 *   TCP       payload of full segments, acknowledgements paid for
 *   file      content of a download over HTTP, its framing taken off
 */
enum capacity_layer {
    LAYER_CHANNEL,
    LAYER_CODED,
    LAYER_FRAMES,
    LAYER_IP,
    LAYER_UDP,
    LAYER_TCP,
    LAYER_FILE,
    LAYER_COUNT
};

extern const char *const capacity_layers[LAYER_COUNT];

enum capacity_way {
    WAY_TO_STATION,
    WAY_TO_HUB,
    WAY_COUNT
};

/* What keeps TCP from going faster. */
enum capacity_term {
    TERM_UNKNOWN,
    TERM_AIR,
    TERM_ACKNOWLEDGEMENTS, /* they fill the way back */
    TERM_WINDOW,
    TERM_LOSS,
    TERM_COUNT
};

extern const char *const capacity_terms[TERM_COUNT];

/* One direction, the other idle but for acknowledgements. */
struct carried {
    struct range layers_bps[LAYER_COUNT]; /* enum capacity_layer */
    /* The most likely value in each range: stated ranges at their middle, and
     * common systems' TCP (see capacity_acks).  NaN: none can be said. */
    double likely_bps[LAYER_COUNT];
    int binds; /* enum capacity_term, at the likely value */
};

/* How the receiver acknowledges: shown beside what it costs. */
struct acknowledging {
    double spacing_ns;     /* from segment to segment, within a turn */
    struct range timer_ns; /* delayed acknowledgement, as common systems
                              set it */
    struct range segments; /* per acknowledgement, whatever the receiver:
                              1 to 2 */
    double likely_segments;
};

struct expectation {
    char source[64];            /* "computed", "published", "reference run 3";
                                   "": none */
    struct range channel_bps;   /* information bits while the carrier is on */
    struct range ip_bps;        /* IP bytes one way, the other idle */
    struct range goodput_bps;   /* file bytes over TCP one way, alone */
    struct range cycle_ns;      /* one access cycle while one way is loaded */
    struct range idle_cycle_ns; /* ... and while nobody sends */
    /* Of an echo on an idle channel; NaN: not known. */
    struct range least_rtt_ns;
    struct range mean_rtt_ns;
    struct range spread_rtt_ns; /* greatest less least */
    double likely_least_rtt_ns, likely_mean_rtt_ns;
    bool is_trip_referred; /* they have that source; else they are computed */
    struct carried ways[WAY_COUNT]; /* enum capacity_way */
    struct acknowledging acks;
    char why[160]; /* why there is none, or why it is wide */
};

/* Never fails: what can't be said stays unsaid (NaN), why says why.  One
 * station and IPv4. */
void capacity_expect(const struct plan_link *link, const struct plan_step *step,
                     struct expectation *ret_expectation);

/* The same for a step of a plan: with all of its stations registered, with
 * IPv6 headers where the ends have such addresses, and with what the step's
 * reference run measured. */
void capacity_expect_of(const struct plan *plan, const struct plan_step *step,
                        struct expectation *ret_expectation);

enum capacity_said {
    SAID_NOTHING,
    SAID_NO,
    SAID_YES
};

/* What is known of the moment beyond the plan.  All zero: nothing. */
struct situation {
    int is_ipv6;             /* enum capacity_said; nothing: as the plan's
                                addresses */
    int has_timestamps;      /* enum capacity_said (RFC 7323) */
    int has_framing;         /* enum capacity_said: HTTP chunk marks */
    double mtu_bytes;        /* 0: the link's */
    double echo_bytes;       /* data of an echo; 0: 56, the ping's preset */
    double window_bytes;     /* most in flight, e.g. a radio's queue or the
                                receiver's window; 0: open */
    double segments_per_ack; /* 0: derived */
    /* Segments lost to TCP; 0: none.  A rough guide only. */
    struct range loss_ratio;
    /* Radio frames that are lost and repeated by the link; 0: none. */
    double frame_loss_ratio;
};

void capacity_expect_when(const struct plan *plan, const struct plan_step *step,
                          const struct situation *situation,
                          struct expectation *ret_expectation);

/* Of a packet and its answer on an idle channel. */
struct round_trip {
    struct range least_ns, mean_ns, spread_ns; /* greatest less least */
    double likely_least_ns, likely_mean_ns;
    /* The least of each way by itself; of the answer's, where it follows the
     * packet at once. */
    struct range there_least_ns, back_least_ns;
    /* What no packet of the way there can do without, whatever its end is
     * sending already: its own airtime and the way. */
    struct range there_airtime_ns;
};

/* Between two ends, indices into the plan's: with more stations than one the
 * turns of those between them count. */
void capacity_round_trip(const struct plan *plan, const struct plan_step *step,
                         const struct situation *situation, size_t from,
                         size_t to, struct round_trip *ret_trip);

/* A packet and what answers it, from the IP payload on. */
struct packet_trip {
    size_t from, to; /* indices into the plan's ends */
    double there_bytes, back_bytes;
};

void capacity_packet_trip(const struct plan *plan, const struct plan_step *step,
                          const struct packet_trip *packets,
                          struct round_trip *ret_trip);

/* --- several at once ----------------------------------------------------- */

enum capacity_traffic {
    TRAFFIC_TCP, /* a download: rates are of file bytes */
    TRAFFIC_UDP  /* rates are of IP bytes */
};

/* From an end to an end, indices into the plan's; one of them is the hub's, or
 * the hub passes it on from station to station. */
struct capacity_demand {
    size_t from, to;
    int traffic;       /* enum capacity_traffic */
    double wanted_bps; /* 0: as much as it can get */
};

struct capacity_share {
    /* Max-min fair (Bertsekas & Gallager section 6.5): the same for all that
     * want as much, as the channel's airtime allows. */
    struct range entitled_bps;
    /* What the turns of the access give, which is not always fair: the hub
     * has one turn, whoever it sends to. */
    double likely_bps;
    double airtime_ratio; /* of all time: its data and acknowledgements */
};

/* Shares of count flows that run together; every share is unsaid where
 * capacity_expect_of() says nothing.  situation may be NULL. */
void capacity_shares(const struct plan *plan, const struct plan_step *step,
                     const struct situation *situation,
                     const struct capacity_demand *demands, size_t count,
                     struct capacity_share *ret_shares);

/* --- the user's own reference run ---------------------------------------- */

/*
 * Puts what the step's reference run measured in the place of what was computed
 * or published, and says "reference run 3"; what was not measured stays.  No
 * two runs are alike: a goodput up to the plan's no_change above what was
 * measured is nothing to wonder at, and another sample's least round trip may
 * be less.
 */
void capacity_take_reference(struct expectation *expectation,
                             const struct plan_reference *reference,
                             double no_change_ratio);

/* --- of the step alone --------------------------------------------------- */

/* Estimated necessary bandwidth in Hz: stated, or Carson's rule from deviation
 * and symbol rate (2D + Rs; for M-level FSK the highest modulating frequency
 * is half of the symbol rate); NaN when it can't be told. */
double capacity_bandwidth_hz(const struct plan_step *step);

/* symbol rate x log2 levels x code rate; NaN when one is missing. */
struct range capacity_channel_bps(const struct plan_step *step);

#endif
