/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What the downloads of a plan's first group should get together, on its first
 * step, as one line for tests/bench/capacity-grid:
 *   likely low high cycle_s binds segments_per_ack
 * in bit/s of TCP payload.  capacity_cells PLAN WINDOW_BYTES FRAME_LOSS
 */
#include "controller/plan/reader.h"
#include "reports/capacity.h"

#include <bothends/kinds/download.h>
#include <stdlib.h>
#include <string.h>

static size_t demands_of(const struct plan *plan,
                         struct capacity_demand *ret_demands)
{
    const struct plan_group *group = &plan->groups[0];
    size_t count = 0;

    for (size_t i = 0; i < group->count; i++) {
        const struct plan_exchange *exchange =
            &plan->exchanges[group->first + i];

        if (strcmp(exchange->kind->name, "download") == 0)
            ret_demands[count++] = (struct capacity_demand){
                .from = (size_t) exchange->from_end,
                .to = (size_t) exchange->to_end,
                .traffic = TRAFFIC_TCP,
            };
    }
    return count;
}

static int print_cell(const struct plan *plan,
                      const struct situation *situation)
{
    struct capacity_demand demands[PLAN_GROUP_MAX];
    struct capacity_share shares[PLAN_GROUP_MAX];
    const size_t count = demands_of(plan, demands);
    struct expectation alone;
    double likely_bps = 0;
    struct range bps = { 0, 0 };

    if (!count) {
        (void) fputs("capacity_cells: no download in the first group\n",
                     stderr);
        return EXIT_FAILURE;
    }
    capacity_expect_when(plan, &plan->steps[0], situation, &alone);
    capacity_shares(plan, &plan->steps[0], situation, demands, count, shares);
    for (size_t i = 0; i < count; i++) {
        likely_bps += shares[i].likely_bps;
        bps.low += shares[i].entitled_bps.low;
        bps.high += shares[i].entitled_bps.high;
    }
    const bool is_out = plan->ends[demands[0].from].role == ROLE_HUB;
    const struct carried *way =
        &alone.ways[is_out ? WAY_TO_STATION : WAY_TO_HUB];

    (void) printf(
        "%.0f %.0f %.0f %.4f %s %.2f\n", likely_bps, bps.low, bps.high,
        range_is_said(alone.cycle_ns) ? range_middle(alone.cycle_ns) * 1e-9
                                      : 0.5,
        capacity_terms[way->binds], alone.acks.likely_segments);
    return EXIT_SUCCESS;
}

int main(int argc, char **argv)
{
    struct plan plan;
    char *text = NULL;
    struct plan_mistakes mistakes = { 0 };
    struct fault fault;

    if (argc != 4) {
        (void) fputs("usage: capacity_cells PLAN WINDOW_BYTES FRAME_LOSS\n",
                     stderr);
        return EXIT_FAILURE;
    }
    if (plan_read_file(argv[1], &plan, &text, &mistakes, &fault)) {
        plan_mistakes_print(stderr, argv[1], &mistakes);
        plan_mistakes_clear(&mistakes);
        return EXIT_FAILURE;
    }
    const struct situation situation = {
        .has_timestamps = SAID_YES,
        .has_framing = SAID_NO,
        .window_bytes = strtod(argv[2], NULL),
        .frame_loss_ratio = strtod(argv[3], NULL),
    };
    const int status = print_cell(&plan, &situation);

    free(text);
    plan_clear(&plan);
    return status;
}
