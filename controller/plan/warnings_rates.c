/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Rates that no radio has: more bits than symbols, or than Shannon allows (C.
 * E. Shannon, "Communication in the presence of noise", 1949).
 */
#include "controller/plan/warnings.h"

#include "reports/power.h"
#include "reports/radio.h"

#define SHOWN_SIZE WARNING_SHOWN_SIZE

/* In a bandwidth of B a pulse can follow another every 1/B (Nyquist).  Occupied
 * bandwidth leaves out a percent of the power, so that shaped signals are
 * stated somewhat narrower than their symbol rate (0.79 for the narrowest
 * common shaping); nothing comes down to half. */
static const double narrowest_ratio = 0.5;

/* Bits while the carrier is on, as far as the step tells. */
static double told_bps(const struct preview *preview, size_t step)
{
    return fmax(preview->steps[step].expectation.channel_bps.low,
                preview->plan->steps[step].usable_rate_bps.low);
}

/* What the step tells, and the most that Shannon allows in which width. */
struct shown {
    char rate[SHOWN_SIZE], most[SHOWN_SIZE], width[SHOWN_SIZE];
};

/* Is it more than that much signal to noise can carry? */
static bool is_too_much(const struct preview *preview, size_t step,
                        double signal_db, struct shown *ret_shown)
{
    const double width_hz = preview->steps[step].bandwidth.hz;
    const double most_bps = bandwidth_most_bps(width_hz, signal_db);

    if (!(told_bps(preview, step) > most_bps))
        return false;
    warning_show(UNIT_RATE, told_bps(preview, step), ret_shown->rate);
    warning_show(UNIT_RATE, most_bps, ret_shown->most);
    warning_show(UNIT_HERTZ, width_hz, ret_shown->width);
    return true;
}

static void look_at_published_rate(struct preview *preview, size_t index)
{
    const struct plan_step *step = &preview->plan->steps[index];
    const bool counts_two = preview->plan->link.access == ACCESS_FULL_DUPLEX
                            && step->usable_rate_is != RATE_ONE_WAY;
    const double most_bps = preview->steps[index].expectation.channel_bps.high
                            * (counts_two ? 2 : 1);
    char usable[SHOWN_SIZE], most[SHOWN_SIZE];

    if (!(step->usable_rate_bps.low > most_bps))
        return;
    warning_show(UNIT_RATE, step->usable_rate_bps.low, usable);
    warning_show(UNIT_RATE, most_bps, most);
    warnings_add(preview, "rate-above-channel", index,
                 "usable_rate of %s is more than the radio's %s (symbol "
                 "rate x log2 levels x code rate%s): it counts something "
                 "else, or one of them is wrong",
                 usable, most, counts_two ? ", both ways" : "");
}

/* A stated width that is too small for the stated symbols. */
static void look_at_width(struct preview *preview, size_t index)
{
    const struct plan_step *step = &preview->plan->steps[index];
    char symbols[SHOWN_SIZE], width[SHOWN_SIZE];

    if (!(step->bandwidth_hz < narrowest_ratio * step->symbol_rate_bd.low))
        return;
    warning_show(UNIT_BAUD, step->symbol_rate_bd.low, symbols);
    warning_show(UNIT_HERTZ, step->bandwidth_hz, width);
    warnings_add(preview, "bandwidth-below-symbols", index,
                 "a signal of %s does not fit in %s (Nyquist): one of them is "
                 "wrong, or counts something else",
                 symbols, width);
}

/* What the step says that it needs, against what Shannon says of it; a level is
 * taken at a receiver that adds no noise. */
static void look_at_need(struct preview *preview, size_t index)
{
    const struct plan_step *step = &preview->plan->steps[index];
    const double width_hz = preview->steps[index].bandwidth.hz;
    const bool is_level = !isnan(step->sensitivity_dbm);
    const double need_db =
        is_level ? step->sensitivity_dbm - power_noise_floor_dbm(width_hz, 0)
                 : step->signal_to_noise_db;
    struct shown shown;

    if (!is_too_much(preview, index, need_db, &shown))
        return;
    warnings_add(preview, "need-below-shannon", index,
                 "%s needs more signal than its %s says: %.1f dB of signal to "
                 "noise%s can carry %s in %s at the most (Shannon)",
                 shown.rate, is_level ? "sensitivity" : "signal_to_noise",
                 need_db,
                 is_level ? ", at a receiver without noise of its own," : "",
                 shown.most, shown.width);
}

/* The best signal to noise of all ways and both directions; NaN: not known. */
static double best_signal_db(const struct plan *plan,
                             const struct plan_step *step)
{
    double best_db = (double) NAN;

    for (size_t i = 0; i < 2 * plan->end_count; i++) {
        struct radio_budget budget;
        struct radio_path path;

        if (plan->ends[i / 2].role != ROLE_STATION
            || !plan_end_is_site(&plan->ends[i / 2]))
            continue;
        radio_look_at_path(plan, i / 2, &path);
        radio_budget(plan, step, &path, i % 2, &budget);
        best_db = fmax(best_db, budget.signal_to_noise_db.high);
    }
    return best_db;
}

static void look_at_signal(struct preview *preview, size_t index)
{
    const struct plan *plan = preview->plan;
    const double best_db = best_signal_db(plan, &plan->steps[index]);
    struct shown shown;

    if (!is_too_much(preview, index, best_db, &shown))
        return;
    warnings_add(preview, "rate-above-shannon", index,
                 "%s in %s is more than the %s that %.0f dB of signal to noise "
                 "can carry (Shannon): something in the step or the path is "
                 "wrong",
                 shown.rate, shown.width, shown.most, best_db);
}

void warnings_find_rates(struct preview *preview)
{
    for (size_t i = 0; i < preview->plan->step_count; i++) {
        look_at_published_rate(preview, i);
        look_at_width(preview, i);
        look_at_need(preview, i);
        look_at_signal(preview, i);
    }
}
