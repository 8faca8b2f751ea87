/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"

#include "controller/plan/airtime.h"
#include "controller/plan/preview_parts.h"
#include "controller/plan/warnings.h"
#include "reports/radio.h"

#include <stdlib.h>

/* A text message and its answer: 140 B and a short line, each with a line in
 * front, TCP with timestamps and IPv4.  The echo whose two packets are as long
 * as those two together has this many bytes. */
static const double text_echo_bytes = 114;

double preview_goodput_bps(const struct preview *preview, size_t step,
                           enum capacity_way way)
{
    const struct carried *carried = &preview->steps[step].expectation.ways[way];
    const struct range range_bps = carried->layers_bps[LAYER_FILE];

    if (!isnan(carried->likely_bps[LAYER_FILE]))
        return carried->likely_bps[LAYER_FILE];
    return range_middle(range_bps);
}

enum capacity_said preview_is_allowed(const struct preview *preview,
                                      size_t step)
{
    const struct plan_link *link = &preview->plan->link;
    const double symbol_rate_bd =
        preview->plan->steps[step].symbol_rate_bd.high;
    const double width_hz = preview->steps[step].bandwidth.hz;

    if (width_hz > link->limit_bandwidth_hz
        || symbol_rate_bd > link->limit_symbol_rate_bd)
        return SAID_NO;
    if (width_hz <= link->limit_bandwidth_hz
        || (isnan(link->limit_bandwidth_hz)
            && symbol_rate_bd <= link->limit_symbol_rate_bd))
        return SAID_YES;
    return SAID_NOTHING;
}

/* --- airtime ------------------------------------------------------------- */

/* What is sent at once shares the air: together no more than the time there is
 * (of each of the two channels in full duplex). */
static void add_group_airtime(struct preview *preview, size_t group,
                              size_t step)
{
    const struct plan *plan = preview->plan;
    const struct plan_group *planned = &plan->groups[group];
    const double group_s =
        (double) preview_group_ns(preview, group, step) * 1e-9;
    const double air_s =
        plan->link.access == ACCESS_FULL_DUPLEX ? 2 * group_s : group_s;
    double ends_s[PLAN_ENDS_MAX] = { 0 }, sum_s = 0;

    for (size_t i = 0; i < planned->count; i++) {
        const size_t exchange = planned->first + i;
        const struct airtime_course course = {
            (double) preview_exchange_ns(preview, exchange, step) * 1e-9,
            preview_exchange_bps(preview, exchange, step)
        };

        airtime_add(plan, exchange, &preview->steps[step].expectation, &course,
                    ends_s);
    }
    for (size_t i = 0; i < plan->end_count; i++)
        sum_s += ends_s[i];
    for (size_t i = 0; i < plan->end_count; i++)
        preview->steps[step].airtime_s[i] +=
            sum_s > air_s ? ends_s[i] * air_s / sum_s : ends_s[i];
}

double preview_duty_ratio(const struct preview *preview, size_t end,
                          size_t step)
{
    const struct preview_step *looked = &preview->steps[step];

    return looked->planned_ns
               ? looked->airtime_s[end] / ((double) looked->planned_ns * 1e-9)
               : (double) NAN;
}

/* --- a step -------------------------------------------------------------- */

static void judge_uses(const struct plan *plan, struct preview_step *step)
{
    const struct expectation *expectation = &step->expectation;
    const struct uses_figures figures = {
        .down_bps = expectation->ways[WAY_TO_STATION].layers_bps[LAYER_FILE],
        .up_bps = expectation->ways[WAY_TO_HUB].layers_bps[LAYER_FILE],
        .rtt_ns = expectation->mean_rtt_ns,
        .confirmed_ns = step->text_ns,
        .loss_ratio = (double) NAN,
        .loss_least_ratio = (double) NAN,
        .is_half_duplex = plan->link.access != ACCESS_FULL_DUPLEX,
    };

    uses_judge(&figures, step->uses);
}

static void look_at_step(struct preview *preview, size_t index)
{
    const struct plan *plan = preview->plan;
    const struct plan_step *planned = &plan->steps[index];
    const struct situation text = { .echo_bytes = text_echo_bytes };
    struct preview_step *step = &preview->steps[index];
    struct expectation of_text;

    capacity_expect_of(plan, planned, &step->expectation);
    capacity_expect_when(plan, planned, &text, &of_text);
    step->text_ns = of_text.mean_rtt_ns;
    bandwidth_of(planned, &step->bandwidth);
    step->margin_db = radio_least_margin_db(plan, planned, NULL);
    /* Not so when either is NaN. */
    step->is_over_limit = step->bandwidth.hz > plan->link.limit_bandwidth_hz;
    step->is_run = !step->is_over_limit || !plan->on_air;
    judge_uses(plan, step);
    preview_expect_exchanges(preview, index);
    for (size_t i = 0; i < plan->group_count; i++) {
        step->planned_ns += preview_group_ns(preview, i, index);
        step->longest_ns += preview_group_limit_ns(plan, i);
        add_group_airtime(preview, i, index);
    }
}

void preview_make(const struct plan *plan, struct preview *ret_preview)
{
    *ret_preview =
        (struct preview){ .plan = plan,
                          .warnings = { .row_size = sizeof(struct warning) },
                          .exchange_bps = preview_rates_new(plan) };
    for (size_t i = 0; i < plan->step_count; i++) {
        const struct preview_step *step = &ret_preview->steps[i];

        look_at_step(ret_preview, i);
        if (!step->is_run)
            continue;
        ret_preview->planned_ns += plan->rounds * step->planned_ns;
        ret_preview->longest_ns += plan->rounds * step->longest_ns;
    }
    warnings_find(ret_preview);
}

void preview_clear(struct preview *preview)
{
    rows_clear(&preview->warnings);
    free(preview->exchange_bps);
    preview->exchange_bps = NULL;
}
