/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"

static double expected_bps(const struct preview *preview, size_t step)
{
    const struct range goodput = preview->steps[step].expectation.goodput_bps;

    return range_is_said(goodput) ? range_middle(goodput) : 0;
}

uint64_t preview_exchange_ns(const struct preview *preview, size_t exchange,
                             size_t step)
{
    const struct plan_exchange *planned = &preview->plan->exchanges[exchange];

    return planned->kind->planned_ns(planned->spec.bytes,
                                     preview->plan->practice.seed,
                                     expected_bps(preview, step));
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

/* The latest end of a group, if everything goes as badly as it may. */
static uint64_t group_limit_ns(const struct plan *plan, size_t group)
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

static void look_at_step(struct preview *preview, size_t index)
{
    const struct plan *plan = preview->plan;
    struct preview_step *step = &preview->steps[index];
    const double limit_hz = plan->link.limit_bandwidth_hz;

    capacity_expect_of(plan, &plan->steps[index], &step->expectation);
    step->bandwidth_hz = capacity_bandwidth_hz(&plan->steps[index]);
    /* Not so when either is NaN. */
    step->is_over_limit = step->bandwidth_hz > limit_hz;
    step->is_run = !step->is_over_limit || !plan->on_air;
    for (size_t i = 0; i < plan->group_count; i++) {
        step->planned_ns += preview_group_ns(preview, i, index);
        step->longest_ns += group_limit_ns(plan, i);
    }
}

void preview_make(const struct plan *plan, struct preview *ret_preview)
{
    *ret_preview = (struct preview){ .plan = plan };
    for (size_t i = 0; i < plan->step_count; i++) {
        const struct preview_step *step = &ret_preview->steps[i];

        look_at_step(ret_preview, i);
        if (!step->is_run)
            continue;
        ret_preview->planned_ns += plan->rounds * step->planned_ns;
        ret_preview->longest_ns += plan->rounds * step->longest_ns;
    }
}
