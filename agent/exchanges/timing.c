/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/timing_parts.h"

int timing_init(struct timing *timing, struct exchange *exchange,
                struct fault *fault)
{
    const struct exchange_order *order = exchange_order_of(exchange);

    if (!order->ticket[0])
        return fault_set(fault, UV_EINVAL,
                         "ticket: found none, expected one: the session's key "
                         "is made of it");
    timing->exchange = exchange;
    memcpy(&timing->spec, &order->spec, sizeof(timing->spec));
    stamp_session_of(order->id, order->ticket, &timing->session);
    return 0;
}

struct timing_outcome *timing_outcome_of(const struct timing *timing)
{
    return (struct timing_outcome *) exchange_account_of(timing->exchange)
        ->outcome.bytes;
}

uint64_t timing_number_limit(const struct timing *timing)
{
    return timing->spec.count ? timing->spec.count
                              : (uint64_t) PROBING_COUNT_MAX;
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
