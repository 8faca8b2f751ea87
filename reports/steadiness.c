/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/steadiness.h"

#include "reports/wording.h"

struct estimate steadiness_estimate(const struct steady *steady, double level)
{
    struct estimate estimate = { (double) NAN, (double) NAN, (double) NAN };

    if (steady->lack != STEADY_ENOUGH)
        return estimate;
    const double reach = steady_t(level, steady->degrees) * steady->error;

    estimate.value = steady->batches.mean;
    estimate.low = estimate.value - reach;
    estimate.high = estimate.value + reach;
    return estimate;
}

void steadiness_why(const struct steady *steady, char *ret_why, size_t size)
{
    ret_why[0] = '\0';
    switch (steady->lack) {
    case STEADY_ENOUGH:
        return;
    case STEADY_SHORT:
        (void) snprintf(ret_why, size,
                        "too short for a steady figure: %d whole cycles are "
                        "needed, %zu came",
                        STEADY_CYCLES_LEAST, steady->count);
        return;
    case STEADY_UNSETTLED:
        (void) snprintf(ret_why, size,
                        "no steady state found: the rate was still changing "
                        "half-way");
        return;
    case STEADY_SHORT_AFTER_CUT:
        (void) snprintf(ret_why, size,
                        "too short for a steady figure: %d whole cycles are "
                        "needed, %zu are left after the warm-up",
                        STEADY_CYCLES_LEAST, steady->count - steady->cut_count);
        return;
    case STEADY_SLOW:
        (void) snprintf(ret_why, size,
                        "too short: the rate swings so slowly that its %zu "
                        "cycles count for too few",
                        steady->count - steady->cut_count);
        return;
    }
}

double steadiness_level(const struct looks_outcome *looks)
{
    return looks->level_ratio > CONFIDENCE_LEVEL && looks->level_ratio < 1
               ? looks->level_ratio
               : CONFIDENCE_LEVEL;
}

void steadiness_add_end(struct reduction *reduction,
                        const struct exchange_record *exchange,
                        const struct looks_outcome *looks, double within_ratio,
                        const char *figure)
{
    char decision[120], within[FIGURE_SIZE];

    if (!(within_ratio > 0) || looks->ended_by == LOOKS_NONE)
        return;
    if (!looks->count)
        (void) snprintf(decision, sizeof(decision),
                        "the longest time was over before there was enough to "
                        "look at");
    else
        (void) snprintf(
            decision, sizeof(decision),
            "%s at look %llu, when it was known within %.1f %%",
            looks->ended_by == LOOKS_WITHIN ? "that was so"
                                            : "the longest time was over",
            (unsigned long long) looks->count, 100 * looks->found_ratio);
    wording_significant(100 * within_ratio, 3, within);
    reduction_add_sentence(
        &reduction->methods,
        "The %s %s → %s on step %s, round %llu, was to go on until the %s was "
        "known within %s %%: %s. The error budget is split over the looks: "
        "the interval is made at %.2f %%, and %.0f %% hold over all looks.",
        exchange->kind->name, exchange->from, exchange->to, exchange->step,
        (unsigned long long) exchange->round, figure, within, decision,
        100 * steadiness_level(looks), 100 * CONFIDENCE_LEVEL);
}
