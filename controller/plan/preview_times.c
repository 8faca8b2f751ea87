/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * How long each exchange takes.  Downloads that run together share the channel
 * (reports/capacity.h); pings and messages beside them are too small to count.
 */
#include "controller/plan/airtime.h"
#include "controller/plan/preview_parts.h"

#include <stdlib.h>

/* --- what a download gets ------------------------------------------------ */

double *preview_rates_new(const struct plan *plan)
{
    double *rates_bps =
        calloc(plan->exchange_count * plan->step_count + 1, sizeof(*rates_bps));

    if (!rates_bps) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    return rates_bps;
}

double preview_exchange_bps(const struct preview *preview, size_t exchange,
                            size_t step)
{
    return preview
        ->exchange_bps[step * preview->plan->exchange_count + exchange];
}

/* The downloads of a group that cross the channel. */
struct crowd {
    struct capacity_demand demands[PLAN_GROUP_MAX];
    size_t exchanges[PLAN_GROUP_MAX];
    size_t count;
};

static void gather(const struct plan *plan, const struct plan_group *group,
                   struct crowd *crowd)
{
    crowd->count = 0;
    for (size_t i = group->first; i < group->first + group->count; i++) {
        const struct plan_exchange *exchange = &plan->exchanges[i];
        const size_t from = airtime_transmitter(plan, exchange->from_end);
        const size_t to = airtime_transmitter(plan, exchange->to_end);

        if (!airtime_is_bulk(exchange) || from == to
            || crowd->count == PLAN_GROUP_MAX)
            continue;
        crowd->demands[crowd->count] =
            (struct capacity_demand){ from, to, TRAFFIC_TCP, 0 };
        crowd->exchanges[crowd->count++] = i;
    }
}

/* Where nothing is known of the turns (a maker's rate): evenly, and what goes
 * from station to station goes twice. */
static double even_share_bps(const struct preview *preview, size_t step,
                             const struct capacity_demand *demand, size_t count)
{
    const struct plan *plan = preview->plan;
    const bool is_from_hub = plan->ends[demand->from].role == ROLE_HUB;
    const bool is_relayed =
        !is_from_hub && plan->ends[demand->to].role != ROLE_HUB;
    const double alone_bps = preview_goodput_bps(
        preview, step, is_from_hub ? WAY_TO_STATION : WAY_TO_HUB);

    return alone_bps / (double) count / (is_relayed ? 2 : 1);
}

static void share_group(struct preview *preview, const struct crowd *crowd,
                        size_t step)
{
    const struct plan *plan = preview->plan;
    double *rates_bps = preview->exchange_bps + step * plan->exchange_count;
    struct capacity_share shares[PLAN_GROUP_MAX];

    if (!crowd->count)
        return;
    capacity_shares(plan, &plan->steps[step], NULL, crowd->demands,
                    crowd->count, shares);
    for (size_t i = 0; i < crowd->count; i++) {
        const double bps =
            shares[i].likely_bps > 0
                ? shares[i].likely_bps
                : even_share_bps(preview, step, &crowd->demands[i],
                                 crowd->count);

        rates_bps[crowd->exchanges[i]] = bps > 0 ? bps : 0;
    }
}

void preview_expect_exchanges(struct preview *preview, size_t step)
{
    const struct plan *plan = preview->plan;
    struct crowd crowd;

    for (size_t i = 0; i < plan->group_count; i++) {
        gather(plan, &plan->groups[i], &crowd);
        share_group(preview, &crowd, step);
    }
}

/* --- how long ------------------------------------------------------------ */

uint64_t preview_exchange_ns(const struct preview *preview, size_t exchange,
                             size_t step)
{
    const struct plan_exchange *planned = &preview->plan->exchanges[exchange];

    return planned->kind->planned_ns(
        planned->spec.bytes, preview->plan->practice.seed,
        preview_exchange_bps(preview, exchange, step));
}

uint64_t preview_group_ns(const struct preview *preview, size_t group,
                          size_t step)
{
    const struct plan_group *planned = &preview->plan->groups[group];
    uint64_t longest_ns = 0;

    for (size_t i = 0; i < planned->count; i++) {
        const uint64_t exchange_ns =
            preview_exchange_ns(preview, planned->first + i, step);

        if (exchange_ns > longest_ns)
            longest_ns = exchange_ns;
    }
    return longest_ns;
}

uint64_t preview_group_limit_ns(const struct plan *plan, size_t group)
{
    const struct plan_group *planned = &plan->groups[group];
    uint64_t limit_ns = 0;

    for (size_t i = 0; i < planned->count; i++) {
        const struct plan_exchange *exchange =
            &plan->exchanges[planned->first + i];
        const uint64_t exchange_ns = exchange->kind->longest_ns(
            exchange->spec.bytes, plan->practice.seed);

        if (exchange_ns > limit_ns)
            limit_ns = exchange_ns;
    }
    return limit_ns;
}
