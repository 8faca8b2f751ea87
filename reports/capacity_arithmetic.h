/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CAPACITY_ARITHMETIC_H
#define REPORTS_CAPACITY_ARITHMETIC_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The formulas behind the expectation, each with its source, for those who
 * check it.
 */

/* Sizes: IPv4 RFC 791, IPv6 RFC 8200, UDP RFC 768, TCP RFC 9293, timestamps
 * RFC 7323, echo RFC 792 and RFC 4443. */
enum {
    IPV4_HEADER_BYTES = 20,
    IPV6_HEADER_BYTES = 40,
    UDP_HEADER_BYTES = 8,
    TCP_HEADER_BYTES = 20,
    TCP_TIMESTAMP_BYTES = 12,
    ECHO_HEADER_BYTES = 8
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

/* Whole bytes that a slot of use_ns carries, header_bytes of its own taken
 * off: floor(floor(use x rate) / 8) - h, in whole numbers. */
uint64_t capacity_slot_bytes(uint64_t use_ns, uint64_t rate_bps,
                             uint64_t header_bytes);

/*
 * Slots that are set aside for each direction, data_bytes and ack_bytes a
 * cycle; each packet costs link_bytes more; a window of window_bytes comes
 * round in so many cycles:
 *   G = 8 / Tc x min(nd MSS, d nu MSS, floor(W / MSS) MSS / m)
 * nd = data / (MTU + e), whole packets only where they may not span slots;
 * nu = floor(acks / (A + e)).
 */
struct capacity_fixed {
    double cycle_s;
    double data_bytes, ack_bytes; /* usable, a cycle */
    double link_bytes;
    bool may_span;
    double window_bytes, window_cycles; /* INFINITY: open */
};

double capacity_fixed_bps(const struct capacity_fixed *fixed,
                          const struct capacity_flow *flow);

/* Throughput = window x 8 / round trip: RFC 6349 section 3.3.1. */
double capacity_window_bps(double window_bytes, double rtt_s);

/* Normalised bandwidth ratio k of RFC 3449 section 3.1: the way back saturates
 * first when it exceeds the segments per acknowledgement. */
double capacity_asymmetry(double forward_bps, double back_bps,
                          double data_bytes, double ack_bytes);

/* --- loss ---------------------------------------------------------------- */

/* RFC 5348 section 3.1, in bit/s: s bytes a packet, b packets an
 * acknowledgement. */
double capacity_tcp_equation_bps(double segment_bytes, double rtt_s,
                                 double loss_ratio, double segments_per_ack,
                                 double timeout_s);

/* The square-root law, MSS x 8 x C / (RTT sqrt(p)): RFC 3819 section 8.5.1 has
 * C = 0.93. */
double capacity_square_root_bps(double segment_bytes, double rtt_s,
                                double loss_ratio, double constant);

/* 1 - (1 - BER)^(8 x bytes): RFC 3819 section 8.5.3. */
double capacity_frame_loss_ratio(double bit_error_ratio, double frame_bytes);

/* Mean sends of a frame that the link repeats up to limit times, and what of
 * them is lost for all that (RFC 3366 section 2: (1 - p^(L+1)) / (1 - p),
 * p^(L+1)). */
double capacity_sends(double loss_ratio, double repeats_limit);
double capacity_left_lost(double loss_ratio, double repeats_limit);

/* --- sharing and waiting ------------------------------------------------- */

/*
 * Max-min fair shares of a whole (Bertsekas & Gallager section 6.5): who wants
 * less than an equal share gets it; the rest is shared again.  cost: of the
 * whole, for one unit of the share; NULL: 1 each.  wanted: INFINITY for all
 * that can be had.
 */
void capacity_max_min(double whole, const double *wanted, const double *cost,
                      size_t count, double *ret_shares);

/* Mean wait for the next of the gaps' ends, from a random moment:
 * sum g^2 / (2 sum g). */
double capacity_mean_wait(const double *gaps, size_t count);

#endif
