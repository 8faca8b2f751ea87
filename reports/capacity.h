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
    char why[160]; /* why there is none */
};

/* Never fails: what can't be said stays unsaid (NaN), why says why. */
void capacity_expect(const struct plan_link *link, const struct plan_step *step,
                     struct expectation *ret_expectation);

/* Estimated necessary bandwidth in Hz: stated, or Carson's rule from deviation
 * and symbol rate; NaN when it can't be told. */
double capacity_bandwidth_hz(const struct plan_step *step);

#endif
