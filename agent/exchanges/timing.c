/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/timing_parts.h"

void timing_init(struct timing *timing, struct exchange *exchange)
{
    const struct exchange_order *order = exchange_order_of(exchange);

    timing->exchange = exchange;
    memcpy(&timing->spec, &order->spec, sizeof(timing->spec));
    stamp_session_of(order->id, order->ticket, &timing->session);
}

struct timing_outcome *timing_outcome_of(const struct timing *timing)
{
    return (struct timing_outcome *) exchange_account_of(timing->exchange)
        ->outcome.bytes;
}

int64_t timing_wall(uint16_t *ret_error)
{
    uint64_t uncertainty_ns;
    const int64_t wall_minus_monotonic_ns =
        clock_wall_minus_monotonic_ns(&uncertainty_ns);

    *ret_error = stamp_error_of((double) uncertainty_ns / 1e9, false);
    return wall_minus_monotonic_ns;
}

bool timing_admits(const struct timing *timing, enum stamp_verdict verdict)
{
    struct timing_outcome *outcome = timing_outcome_of(timing);

    outcome->malformed_count += verdict == STAMP_MALFORMED;
    outcome->forged_count += verdict == STAMP_FORGED;
    return verdict == STAMP_OWN;
}
