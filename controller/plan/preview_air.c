/* SPDX-License-Identifier: GPL-3.0-or-later */

/* What each site radiates, and for how long. */
#include "controller/plan/preview_parts.h"

#include "controller/options.h"
#include "controller/quantity.h"
#include "reports/radio.h"

#include <string.h>

#define CELL_SIZE     96
#define AIR_COLUMN    15
#define LEFT_WIDTH    20 /* beside the site's name */
#define SITE_ROWS_MAX 8  /* with more sites: the busiest ones */

static double busiest_ratio(const struct preview *preview, size_t end)
{
    double most = 0;

    for (size_t i = 0; i < preview->plan->step_count; i++)
        most = fmax(most, preview_duty_ratio(preview, end, i));
    return most;
}

/* Is it among the busiest, the earlier one where two are alike? */
static bool is_shown(const struct preview *preview, size_t end)
{
    size_t busier_count = 0;

    for (size_t i = 0; i < preview->plan->end_count; i++) {
        if (i == end || !plan_end_is_site(&preview->plan->ends[i]))
            continue;
        const double other = busiest_ratio(preview, i);
        const double own = busiest_ratio(preview, end);

        busier_count += other > own || (other >= own && i < end);
    }
    return busier_count < SITE_ROWS_MAX;
}

static void print_airtime(FILE *out, const struct preview *preview, size_t end,
                          size_t step)
{
    const double duty_ratio = preview_duty_ratio(preview, end, step);
    const double airtime_s = preview->steps[step].airtime_s[end];
    char text[2 * CELL_SIZE] = "-", duration[CELL_SIZE];

    if (!isnan(duty_ratio)) {
        preview_show_duration((uint64_t) (airtime_s * 1e9), duration,
                              sizeof(duration));
        (void) snprintf(text, sizeof(text), "%s %3d %%", duration,
                        (int) lround(duty_ratio * 100));
    }
    (void) fprintf(out, " %*s", AIR_COLUMN, text);
}

static void print_radiation(FILE *out, const struct preview *preview,
                            size_t end)
{
    struct radio_site site;
    char eirp[CELL_SIZE], distance[CELL_SIZE];

    radio_look_at_site(preview->plan, end, &site);
    quantity_show(UNIT_WATT, site.eirp_w, eirp, sizeof(eirp));
    quantity_show(UNIT_METRE, site.exposure_distance_m, distance,
                  sizeof(distance));
    (void) fprintf(out, " %8s %8s", eirp, distance);
}

static int widest_site(const struct plan *plan)
{
    size_t width = 4;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (strlen(plan->ends[i].name) > width)
            width = strlen(plan->ends[i].name);
    }
    return (int) width;
}

static void print_heads(FILE *out, const struct preview *preview,
                        const struct step_columns *columns, int width)
{
    (void) fputs("\nWhat each transmitter does in one round of a step: time on "
                 "the air, and its\nshare of all time (without repeats, and "
                 "without the radios' own polling):\n",
                 out);
    (void) fprintf(out, "  %-*s %8s %8s", width, "site", "EIRP", "keep off");
    for (size_t i = 0; i < columns->count; i++)
        (void) fprintf(out, " %*s", AIR_COLUMN,
                       preview->plan->steps[columns->steps[i]].name);
    (void) fputs("\n", out);
}

/* What "keep off" rests on, once. */
static void print_exposure(FILE *out, const struct plan *plan)
{
    struct radio_site site;
    char limit[CELL_SIZE], text[400];

    radio_look_at_site(plan, 0, &site);
    if (isnan(site.density_limit_wpm2))
        return;
    quantity_show(UNIT_FLUX, site.density_limit_wpm2, limit, sizeof(limit));
    (void) snprintf(text, sizeof(text),
                    "Keep off: the distance from the antenna at which %s is "
                    "met (%s), transmitting all the time, with ground "
                    "reflection; close to a large antenna it is not valid, and "
                    "your own country's limits rule.",
                    limit,
                    site.is_limit_default
                        ? "47 CFR 1.1310, general public: the default here"
                        : "link.limits.exposure");
    (void) fputs("  ", out);
    options_print_wrapped(out, 2, text);
}

/* A usual level on the bench, and far from what harms a receiver. */
static const double bench_level_db = 30;

/* What stands between the radios of a bench test, for the strongest. */
static void print_attenuators(FILE *out, const struct plan *plan)
{
    size_t strongest = 0;
    double most_db = 0;
    char power[CELL_SIZE], text[400];

    for (size_t from = 0; from < plan->end_count; from++) {
        for (size_t to = 0; to < plan->end_count; to++) {
            const double loss_db =
                radio_attenuation_db(plan, from, to, bench_level_db);

            if (!plan_end_is_site(&plan->ends[from])
                || plan->ends[from].role == plan->ends[to].role
                || !(loss_db > most_db))
                continue;
            most_db = loss_db;
            strongest = from;
        }
    }
    if (!(most_db > 0))
        return;
    quantity_show(UNIT_WATT, plan->ends[strongest].power_w, power,
                  sizeof(power));
    (void) snprintf(text, sizeof(text),
                    "On the bench: about %.0f dB of attenuators from %s (%s) "
                    "leave the receiver %.0f dB above what the most demanding "
                    "step needs; the first one must stand the full power.",
                    most_db, plan->ends[strongest].name, power, bench_level_db);
    (void) fputs("  ", out);
    options_print_wrapped(out, 2, text);
}

void preview_print_air(FILE *out, const struct preview *preview)
{
    const struct plan *plan = preview->plan;
    const int width = widest_site(plan);
    struct step_columns columns;
    size_t hidden_count = 0;
    double hidden_most = 0;

    preview_choose_columns(
        preview, preview_columns_most(width + LEFT_WIDTH, AIR_COLUMN + 1),
        &columns);
    print_heads(out, preview, &columns, width);
    for (size_t i = 0; i < plan->end_count; i++) {
        if (!plan_end_is_site(&plan->ends[i]))
            continue;
        if (!is_shown(preview, i)) {
            hidden_count++;
            hidden_most = fmax(hidden_most, busiest_ratio(preview, i));
            continue;
        }
        (void) fprintf(out, "  %-*s", width, plan->ends[i].name);
        print_radiation(out, preview, i);
        for (size_t j = 0; j < columns.count; j++)
            print_airtime(out, preview, i, columns.steps[j]);
        (void) fputs("\n", out);
    }
    if (hidden_count)
        (void) fprintf(out, "  and %zu more, %.0f %% of the time at the most\n",
                       hidden_count, hidden_most * 100);
    if (plan->on_air)
        print_exposure(out, plan);
    else
        print_attenuators(out, plan);
}
