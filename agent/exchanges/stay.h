/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_STAY_H
#define AGENT_STAY_H

#include "agent/exchanges/exchange.h"
#include "agent/exchanges/wake.h"

/*
 * The end that answers a prober: it stays until the prober must be through,
 * or has said that it is, and then its part of the exchange is finished.
 */
struct stay {
    struct exchange *exchange; /* borrowed */
    struct wake end;
    bool is_open, is_over;
};

void stay_init(struct stay *stay, struct exchange *exchange);
/* The start has come, perhaps again; the prober may take so long after it. */
void stay_begin(struct stay *stay, uint64_t longest_ns);
/* Another start comes: stay until then. */
void stay_unbegin(struct stay *stay);
/* Leave at that time, at the latest. */
void stay_until(struct stay *stay, uint64_t end_ns);
/* Leave now, begun or not. */
void stay_stop(struct stay *stay);

#endif
