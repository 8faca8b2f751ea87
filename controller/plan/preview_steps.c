/* SPDX-License-Identifier: GPL-3.0-or-later */

/* What each step should carry, what it buys, and what it is good for. */
#include "controller/plan/preview_parts.h"

#include "controller/options.h"
#include "controller/quantity.h"
#include "reports/radio.h"

#include <string.h>

#define CELL_SIZE 96
#define USES_MOST 4 /* steps; of more: the slowest and the fastest */

static const double megabyte_bits = 8e6;

static int widest_step(const struct plan *plan)
{
    size_t width = 4;

    for (size_t i = 0; i < plan->step_count; i++) {
        if (strlen(plan->steps[i].name) > width)
            width = strlen(plan->steps[i].name);
    }
    return (int) width;
}

/* --- at a glance --------------------------------------------------------- */

/* Ranges of times are narrow beside the table's purpose: their middle. */
static void print_time(FILE *out, struct range range_ns, int width)
{
    char text[CELL_SIZE];

    quantity_show(UNIT_DURATION, range_middle(range_ns), text, sizeof(text));
    (void) fprintf(out, " %*s", width, text);
}

static void print_margin(FILE *out, struct range margin_db)
{
    char text[CELL_SIZE] = "-";

    if (margin_db.high - margin_db.low >= 0.5)
        (void) snprintf(text, sizeof(text), "%.0f..%.0f dB", margin_db.low,
                        margin_db.high);
    else if (!isnan(margin_db.high))
        (void) snprintf(text, sizeof(text), "%.0f dB", margin_db.high);
    (void) fprintf(out, " %9s", text);
}

static void print_megabyte(FILE *out, double bps)
{
    char text[CELL_SIZE] = "-";

    if (bps > 0)
        preview_show_duration((uint64_t) (megabyte_bits / bps * 1e9), text,
                              sizeof(text));
    (void) fprintf(out, " %10s", text);
}

static double rate_of(const struct preview *preview, size_t step,
                      enum capacity_way way)
{
    return preview_is_vague(preview, step)
               ? (double) NAN
               : preview_goodput_bps(preview, step, way);
}

static void print_step(FILE *out, const struct preview *preview, size_t index,
                       int width)
{
    const struct preview_step *step = &preview->steps[index];
    const double down_bps = rate_of(preview, index, WAY_TO_STATION);
    char text[CELL_SIZE];

    (void) fprintf(out, "%-*s", width, preview->plan->steps[index].name);
    quantity_show(UNIT_HERTZ, step->bandwidth.hz, text, sizeof(text));
    (void) fprintf(out, "%c%8s", step->is_over_limit ? '*' : ' ', text);
    preview_print_rate(out, preview, down_bps, 6);
    preview_print_rate(out, preview, rate_of(preview, index, WAY_TO_HUB), 6);
    print_megabyte(out, down_bps);
    print_time(out, step->text_ns, 7);
    print_time(out, step->expectation.least_rtt_ns, 7);
    print_time(out, step->expectation.mean_rtt_ns, 7);
    print_margin(out, step->margin_db);
    if (down_bps / step->bandwidth.hz > 0)
        (void) fprintf(out, " %5.2f\n", down_bps / step->bandwidth.hz);
    else
        (void) fprintf(out, " %5s\n", "-");
}

/* Most plans have one source for all of their steps. */
static void print_source(FILE *out, const struct preview *preview)
{
    const char *source = preview->steps[0].expectation.source;

    for (size_t i = 1; i < preview->plan->step_count; i++) {
        if (strcmp(preview->steps[i].expectation.source, source) != 0)
            return;
    }
    if (source[0])
        (void) fprintf(out, " (%s)", source);
}

static void print_glance(FILE *out, const struct preview *preview, int width)
{
    (void) fputs("\nWhat each step should carry, one way, alone", out);
    print_source(out, preview);
    const char *unit = preview_rate_unit(preview);

    (void) fprintf(out,
                   ":\n%-*s %8s %6s %6s %10s %7s %15s %9s %5s\n"
                   "%-*s %8s %6s %6s %10s %7s %7s %7s %8s %6s\n",
                   width, "", "band-", "down", "up", "1 MB", "text",
                   "round trip", "margin", "bit/s", width, "step", "width",
                   unit, unit, "takes", "message", "least", "mean", "",
                   "per Hz");
    for (size_t i = 0; i < preview->plan->step_count; i++)
        print_step(out, preview, i, width);
}

/* --- notes ---------------------------------------------------------------- */

static const char *vague_of(const struct preview *preview, size_t step)
{
    return preview_is_vague(preview, step)
               ? "what it carries is said too loosely to work anything out; "
                 "put "
                 "the data sheet's figure in"
               : "";
}

static const char *why_of(const struct preview *preview, size_t step)
{
    return preview->steps[step].expectation.why;
}

static const char *estimate_of(const struct preview *preview, size_t step)
{
    const struct bandwidth *bandwidth = &preview->steps[step].bandwidth;

    return bandwidth->is_stated ? "" : bandwidth->how;
}

/* "Emission: 60K0F1D (steady), 120KF1D (brisk)". */
static void print_designators(FILE *out, const struct preview *preview)
{
    char text[PLAN_STEPS_MAX * (NAME_SIZE + DESIGNATOR_SIZE + 8)] = "emission:";
    size_t used = strlen(text);
    bool is_known = false;

    for (size_t i = 0; i < preview->plan->step_count; i++) {
        const char *designator = preview->steps[i].bandwidth.designator;

        if (!designator[0])
            continue;
        used += (size_t) snprintf(text + used, sizeof(text) - used,
                                  "%s %s (%s)", is_known ? "," : "", designator,
                                  preview->plan->steps[i].name);
        is_known = true;
    }
    if (!is_known)
        return;
    (void) fputs("  ", out);
    options_print_wrapped(out, 4, text);
}

/* Against what the licence is said to allow. */
static const char *allowed_by(const struct preview *preview, size_t step)
{
    switch (preview_is_allowed(preview, step)) {
    case SAID_NOTHING:
        return "";
    case SAID_NO:
        return "more than link.limits allow (see below)";
    case SAID_YES:
        break;
    }
    return "allowed by the bandwidth and symbol rate of link.limits";
}

static void print_notes(FILE *out, const struct preview *preview)
{
    const struct plan *plan = preview->plan;
    char missing[512], text[600];

    preview_print_reasons(out, preview, "", vague_of);
    preview_print_reasons(out, preview, "", why_of);
    preview_print_reasons(out, preview, "bandwidth estimated: ", estimate_of);
    print_designators(out, preview);
    radio_missing(plan, missing, sizeof(missing));
    if (missing[0]) {
        (void) snprintf(text, sizeof(text), "no margin: the plan lacks %s",
                        missing);
        (void) fputs("  ", out);
        options_print_wrapped(out, 4, text);
    }
    preview_print_reasons(out, preview, "", allowed_by);
    if (isnan(plan->link.limit_bandwidth_hz))
        (void) fputs("  link.limits.bandwidth is not said: no step is held "
                     "against your licence.\n",
                     out);
}

/* --- what the next one buys ---------------------------------------------- */

static void print_gain(FILE *out, const struct preview *preview, size_t upper,
                       int width)
{
    const struct preview_step *below = &preview->steps[upper - 1];
    const struct preview_step *above = &preview->steps[upper];
    const double goodputs = rate_of(preview, upper, WAY_TO_STATION)
                            / rate_of(preview, upper - 1, WAY_TO_STATION);
    const double bandwidths = above->bandwidth.hz / below->bandwidth.hz;
    const double loss_db = below->margin_db.high - above->margin_db.high;

    if (!(goodputs > 0))
        return;
    if (upper == 1)
        (void) fputs("\nWhat each step buys over the one before:\n", out);
    (void) fprintf(out, "  %-*s > %-*s  %.1f x the goodput", width,
                   preview->plan->steps[upper - 1].name, width,
                   preview->plan->steps[upper].name, goodputs);
    if (bandwidths > 0)
        (void) fprintf(out, " for %.1f x the bandwidth", bandwidths);
    if (!isnan(loss_db))
        (void) fprintf(out, ", %.0f dB %s margin", fabs(loss_db),
                       loss_db < 0 ? "more" : "less");
    (void) fputs("\n", out);
}

static void print_uses(FILE *out, const struct preview *preview, int width)
{
    struct step_columns columns;

    preview_choose_columns(preview, USES_MOST, &columns);
    (void) fputs("\nWhat that is good for, while nobody else sends (figures "
                 "that it is held against:\n3GPP TS 22.105, ITU-T G.114 and "
                 "G.1010):\n",
                 out);
    for (size_t i = 0; i < columns.count; i++) {
        const size_t step = columns.steps[i];
        char text[512];

        uses_sentence(preview->steps[step].uses, text, sizeof(text));
        if (preview_is_vague(preview, step))
            text[0] = '\0';
        (void) fprintf(out, "  %-*s  ", width, preview->plan->steps[step].name);
        options_print_wrapped(out, width + 4, text[0] ? text : "Not known.");
    }
}

void preview_print_steps(FILE *out, const struct preview *preview)
{
    const int width = widest_step(preview->plan);

    print_glance(out, preview, width);
    print_notes(out, preview);
    for (size_t i = 1; i < preview->plan->step_count; i++)
        print_gain(out, preview, i, width);
    preview_print_layers(out, preview, width);
    print_uses(out, preview, width);
}
