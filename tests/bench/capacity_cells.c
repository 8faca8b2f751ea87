/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What the downloads of a plan's first group should get together, on its first
 * step, as one line for tests/bench/capacity-grid:
 *   likely low high cycle_s binds
 * in bit/s of TCP payload.  capacity_cells PLAN WINDOWS FRAME_LOSS SEEN_LOSS
 * WINDOWS: congestion windows of the sender, in bytes, "6000,9000"; 0: open.
 * The likely value is the mean over them.  FRAME_LOSS: of frames that the
 * radios repeat; SEEN_LOSS: of segments, lost to TCP.
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

/* What the flows get together at one window. */
static double together_bps(const struct plan *plan,
                           const struct situation *situation,
                           const struct capacity_demand *demands, size_t count)
{
    struct capacity_share shares[PLAN_GROUP_MAX];
    double sum_bps = 0;

    capacity_shares(plan, &plan->steps[0], situation, demands, count, shares);
    for (size_t i = 0; i < count; i++)
        sum_bps += shares[i].likely_bps;
    return sum_bps;
}

static double mean_bps(const struct plan *plan,
                       const struct situation *situation, const char *windows,
                       const struct capacity_demand *demands, size_t count)
{
    double sum_bps = 0;
    size_t window_count = 0;

    for (const char *at = windows; *at; at += strspn(at, ",")) {
        struct situation now = *situation;
        char *end = NULL;

        now.window_bytes = strtod(at, &end);
        if (end == at)
            break;
        sum_bps += together_bps(plan, &now, demands, count);
        window_count++;
        at = end;
    }
    return sum_bps / (double) window_count;
}

static int print_cell(const struct plan *plan,
                      const struct situation *situation, const char *windows)
{
    struct capacity_demand demands[PLAN_GROUP_MAX];
    const size_t count = demands_of(plan, demands);
    struct expectation alone;

    if (!count) {
        (void) fputs("capacity_cells: no download in the first group\n",
                     stderr);
        return EXIT_FAILURE;
    }
    struct situation held = *situation;

    if (!strchr(windows, ',')) /* the same all the time */
        held.window_bytes = strtod(windows, NULL);
    capacity_expect_when(plan, &plan->steps[0], &held, &alone);
    const bool is_out = plan->ends[demands[0].from].role == ROLE_HUB;
    const struct carried *way =
        &alone.ways[is_out ? WAY_TO_STATION : WAY_TO_HUB];
    const bool sees_loss = situation->loss_ratio.high > 0;
    const double likely_bps =
        sees_loss ? way->likely_bps[LAYER_TCP]
                  : mean_bps(plan, situation, windows, demands, count);

    (void) printf(
        "%.0f %.0f %.0f %.4f %s\n", likely_bps, way->layers_bps[LAYER_TCP].low,
        way->layers_bps[LAYER_TCP].high,
        range_is_said(alone.cycle_ns) ? range_middle(alone.cycle_ns) * 1e-9
                                      : 0.5,
        capacity_terms[way->binds]);
    return EXIT_SUCCESS;
}

int main(int argc, char **argv)
{
    struct plan plan;
    char *text = NULL;
    struct plan_mistakes mistakes = { 0 };
    struct fault fault;

    if (argc != 5) {
        (void) fputs("usage: capacity_cells PLAN WINDOWS FRAME_LOSS "
                     "SEEN_LOSS\n",
                     stderr);
        return EXIT_FAILURE;
    }
    if (plan_read_file(argv[1], &plan, &text, &mistakes, &fault)) {
        plan_mistakes_print(stderr, argv[1], &mistakes);
        plan_mistakes_clear(&mistakes);
        return EXIT_FAILURE;
    }
    const double seen_ratio = strtod(argv[4], NULL);
    const struct situation situation = {
        .has_timestamps = SAID_YES,
        .has_framing = SAID_NO,
        .frame_loss_ratio = strtod(argv[3], NULL),
        .loss_ratio = { seen_ratio, seen_ratio },
    };
    const int status = print_cell(&plan, &situation, argv[2]);

    free(text);
    plan_clear(&plan);
    return status;
}
