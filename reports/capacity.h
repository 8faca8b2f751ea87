/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CAPACITY_H
#define REPORTS_CAPACITY_H

#include <bothends/plan.h>

/*
 * What a step should carry: ranges with a source (published or computed).
 * One flow alone, one direction, acknowledgements paid for in the other
 * direction's airtime on half-duplex channels.  Shares no code with the
 * practice link: the two check each other.
 */
struct expectation {
    char source[64];            /* "computed", "published"; "": none */
    struct range channel_bps;   /* information bits while the carrier is on */
    struct range ip_bps;        /* IP bytes one way, the other idle */
    struct range goodput_bps;   /* TCP content bytes one way, alone */
    struct range cycle_ns;      /* one access cycle while one way is loaded */
    struct range idle_cycle_ns; /* ... and while nobody sends */
    struct range least_rtt_ns;  /* of a small echo; NaN: not known */
    struct range mean_rtt_ns;
    char why[160]; /* why there is none, or why it is wide */
};

/* Never fails: what can't be said stays unsaid (NaN), why says why.  One
 * station and IPv4. */
void capacity_expect(const struct plan_link *link, const struct plan_step *step,
                     struct expectation *ret_expectation);

/* The same for a step of a plan: with all of its stations registered, and with
 * IPv6 headers where the ends have such addresses. */
void capacity_expect_of(const struct plan *plan, const struct plan_step *step,
                        struct expectation *ret_expectation);

/* Estimated necessary bandwidth in Hz: stated, or Carson's rule from deviation
 * and symbol rate (2D + Rs; for M-level FSK the highest modulating frequency
 * is half of the symbol rate); NaN when it can't be told. */
double capacity_bandwidth_hz(const struct plan_step *step);

/* symbol rate x log2 levels x code rate; NaN when one is missing. */
struct range capacity_channel_bps(const struct plan_step *step);

/* --- the arithmetic, for those who check it ------------------------------ */

/* Sizes: IPv4 RFC 791, IPv6 RFC 8200, TCP RFC 9293, timestamps RFC 7323. */
enum {
    IPV4_HEADER_BYTES = 20,
    IPV6_HEADER_BYTES = 40,
    TCP_HEADER_BYTES = 20,
    TCP_TIMESTAMP_BYTES = 12,
    ECHO_HEADER_BYTES = 8 /* RFC 792 and RFC 4443 */
};

/* A TCP flow as the link sees it. */
struct capacity_flow {
    double mtu_bytes;        /* a full segment with its headers */
    double header_bytes;     /* of IP and TCP, options included */
    double segments_per_ack; /* 1 to 2: RFC 5681 section 4.2 */
};

/* Content bytes of all IP bytes in full segments. */
double capacity_content_ratio(const struct capacity_flow *flow);

/*
 * Both ways share pool_bps without loss, each packet costing link_bytes more:
 *   G = pool x d MSS / (d (MTU + e) + A + e)
 */
double capacity_pooled_bps(double pool_bps, const struct capacity_flow *flow,
                           double link_bytes);

/*
 * The ends take turns; each transmission has a fixed cost, then bytes at
 * rate_bps:  G = 8 content / (overhead x transmissions + 8 air / rate)
 */
double capacity_turns_bps(double rate_bps, double overhead_s,
                          double transmissions_count, double content_bytes,
                          double air_bytes);

#endif
