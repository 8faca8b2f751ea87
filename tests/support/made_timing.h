/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_MADE_TIMING_H
#define SUPPORT_MADE_TIMING_H

#include <bothends/exchange.h>
#include <bothends/kinds/timing.h>

/* One way of a made timing exchange. */
struct made_way {
    uint64_t least_ns, spread_ns; /* delays are drawn evenly from there on */
    size_t loses_every;           /* each so many-th is lost; 0: none, 1: all */
    size_t doubles_every;         /* ... comes twice */
    size_t holds_every;           /* ... takes held_ns longer */
    uint64_t held_ns;
};

/*
 * Stamped probes whose truth is known: delays, losses and the two clocks.
 */
struct made_timing {
    size_t count;
    uint64_t gap_ns;
    struct made_way there, back;
    int64_t offset_ns; /* the reflector's clock, less the sender's, at begin */
    double skew_ratio; /* it runs faster by it */
    int64_t jump_ns;   /* and jumps, half-way */
    uint64_t seed;
};

void made_timing(const struct made_timing *timing,
                 struct exchange_account *sender,
                 struct exchange_account *reflector);

#endif
