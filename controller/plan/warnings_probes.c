/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/warnings.h"

#include <stdlib.h>
#include <string.h>

#define SHOWN_SIZE WARNING_SHOWN_SIZE

/* Probes that leave so much of the cycle unvisited say little of it. */
static const double unvisited_most_ratio = 0.25;

static int compare_reals(const void *a, const void *b)
{
    const double first = *(const double *) a, second = *(const double *) b;

    return (first > second) - (first < second);
}

/* The widest part of the cycle that probes at a fixed gap never visit, as a
 * share of the cycle. */
static double unvisited_ratio(double gap_ns, double cycle_ns, size_t count)
{
    enum {
        COUNT_MOST = 1000
    };
    double phases[COUNT_MOST];
    double widest = 0;

    if (count > COUNT_MOST)
        count = COUNT_MOST;
    for (size_t i = 0; i < count; i++) {
        const double turns = (double) i * gap_ns / cycle_ns;

        phases[i] = turns - floor(turns);
    }
    qsort(phases, count, sizeof(phases[0]), compare_reals);
    for (size_t i = 0; i < count; i++) {
        const double next = i + 1 < count ? phases[i + 1] : phases[0] + 1;

        widest = fmax(widest, next - phases[i]);
    }
    return widest;
}

/* False: the exchange sends no probes. */
static bool read_probing(const struct plan_exchange *exchange,
                         struct probing *ret_probing)
{
    const void *spec = exchange->spec.bytes;

    if (strcmp(exchange->kind->name, ping_kind.name) == 0)
        *ret_probing = PROBING_OF((const struct ping_spec *) spec);
    else if (strcmp(exchange->kind->name, timing_kind.name) == 0)
        *ret_probing = PROBING_OF((const struct timing_spec *) spec);
    else
        return false;
    return true;
}

/* Probes at a fixed gap: how many, or 0. */
static size_t fixed_probes(const struct plan_exchange *exchange, double *gap_ns)
{
    struct probing probing;

    if (!read_probing(exchange, &probing) || probing.gap_ns.form != SPREAD_FIXED
        || !(probing.gap_ns.mean > 0))
        return 0;
    *gap_ns = probing.gap_ns.mean;
    return probing.count ? (size_t) probing.count
                         : (size_t) ((double) probing_sending_ns(&probing)
                                     / probing.gap_ns.mean);
}

void warnings_find_probes(struct preview *preview)
{
    const struct plan *plan = preview->plan;

    for (size_t i = 0; i < plan->exchange_count; i++) {
        struct concern concern = { 0 };
        char text[WARNING_SIZE], on[SHOWN_SIZE], gap[SHOWN_SIZE],
            cycle[SHOWN_SIZE];
        double gap_ns = 0;
        const size_t count = fixed_probes(&plan->exchanges[i], &gap_ns);

        for (size_t j = 0; count > 1 && j < plan->step_count; j++) {
            const double cycle_ns =
                range_middle(preview->steps[j].expectation.idle_cycle_ns);
            /* So few probes would leave gaps at any rate. */
            const double most = fmax(unvisited_most_ratio, 3 / (double) count);

            if (cycle_ns > 0 && unvisited_ratio(gap_ns, cycle_ns, count) > most)
                concern_add(&concern, j, cycle_ns);
        }
        if (!concern.count)
            continue;
        warning_show(UNIT_DURATION, gap_ns, gap);
        warning_show(UNIT_DURATION, concern.worst_value, cycle);
        (void) snprintf(text, sizeof(text),
                        "the %s from %s at a fixed gap of %s meets the "
                        "access cycle of %s%s in the same places again and "
                        "again: leave the gap random (random %s)",
                        plan->exchanges[i].kind->name, plan->exchanges[i].from,
                        gap, cycle, concern_on(&concern, plan, on), gap);
        concern_tell(preview, "gap-locks-to-cycle", &concern, text);
    }
}
