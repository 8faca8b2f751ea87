/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * What the downloads of a plan's first group should get together, on its first
 * step, as one line for tests/bench/capacity-grid:
 *   likely low high cycle_s binds
 * in bit/s of TCP payload.  capacity_cells PLAN WINDOWS FRAME_LOSS SEEN_LOSS
 * WINDOWS: congestion windows of the sender, in bytes, "6000,9000"; 0: open.
 * The likely value is the mean over them.  FRAME_LOSS: of frames that the
 * radios repeat; SEEN_LOSS: of segments, lost to TCP.
 *   capacity_cells PLAN
 * Of the ping that the plan's first group is: least, mean and spread of its
 * round trips, in ms.
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

static int print_trip(const struct plan *plan)
{
    const struct plan_exchange *ping = &plan->exchanges[plan->groups[0].first];
    struct round_trip trip;

    if (strcmp(ping->kind->name, "ping") != 0) {
        (void) fputs("capacity_cells: the first group is no ping\n", stderr);
        return EXIT_FAILURE;
    }
    capacity_round_trip(plan, &plan->steps[0], NULL, (size_t) ping->from_end,
                        (size_t) ping->to_end, &trip);
    (void) printf("%.3f %.3f %.3f\n", trip.likely_least_ns / 1e6,
                  trip.likely_mean_ns / 1e6, trip.spread_ns.high / 1e6);
    return EXIT_SUCCESS;
}

static int print_downloads(const struct plan *plan, char **arguments)
{
    const double seen_ratio = strtod(arguments[2], NULL);
    const struct situation situation = {
        .has_timestamps = SAID_YES,
        .has_framing = SAID_NO,
        .frame_loss_ratio = strtod(arguments[1], NULL),
        .loss_ratio = { seen_ratio, seen_ratio },
    };

    return print_cell(plan, &situation, arguments[0]);
}

int main(int argc, char **argv)
{
    struct plan plan;
    char *text = NULL;
    struct plan_mistakes mistakes = { 0 };
    struct fault fault;

    if (argc != 2 && argc != 5) {
        (void) fputs("usage: capacity_cells PLAN [WINDOWS FRAME_LOSS "
                     "SEEN_LOSS]\n",
                     stderr);
        return EXIT_FAILURE;
    }
    if (plan_read_file(argv[1], &plan, &text, &mistakes, &fault)) {
        plan_mistakes_print(stderr, argv[1], &mistakes);
        plan_mistakes_clear(&mistakes);
        return EXIT_FAILURE;
    }
    const int status =
        argc == 2 ? print_trip(&plan) : print_downloads(&plan, argv + 2);

    free(text);
    plan_clear(&plan);
    return status;
}
