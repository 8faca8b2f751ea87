/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_TIMING_PARTS_H
#define AGENT_TIMING_PARTS_H

#include "agent/exchanges/exchange.h"
#include "agent/exchanges/stamp.h"

#include <bothends/kinds/timing.h>

/* What both ends of a timing have: its session, and a count of all that is
 * dropped. */
struct timing {
    struct exchange *exchange; /* borrowed */
    struct timing_spec spec;
    struct stamp_session session;
};

/* Copies of one packet that are kept; more are but counted, so that whoever
 * sends one again and again fills no memory. */
#define TIMING_COPIES_MOST 10000

/* Refuses an order without a ticket: anybody could work its key out. */
int timing_init(struct timing *timing, struct exchange *exchange,
                struct fault *fault);
struct timing_outcome *timing_outcome_of(const struct timing *timing);

/* Numbers of probes and of replies lie below it. */
uint64_t timing_number_limit(const struct timing *timing);

/* Wall clock minus monotonic clock now, and how well it can be read: our clocks
 * are not known to be synchronised. */
int64_t timing_wall(uint16_t *ret_error);

/* True when it is the session's own; counted where it should have been. */
bool timing_admits(const struct timing *timing, enum stamp_verdict verdict);

#endif
