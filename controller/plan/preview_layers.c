/* SPDX-License-Identifier: GPL-3.0-or-later */

/* Capacity by layer, and what keeps a download from going faster. */
#include "controller/plan/preview_parts.h"

#include "controller/options.h"

#include <string.h>

#define CELL_SIZE 96

/* clang-format off */
static const struct {
    const char *word, *means; /* NULL: needs no words */
} terms[TERM_COUNT] = {
    [TERM_UNKNOWN] = { "-", NULL },
    [TERM_AIR] = { "air", "held by the air: the channel is never idle while it is loaded" },
    [TERM_ACKNOWLEDGEMENTS] = { "acks", "held by acknowledgements: they fill the way back, and the data wait for them" },
    [TERM_WINDOW] = { "window", "held by the window: all that may be in flight is on its way, and the air stays idle meanwhile" },
    [TERM_LOSS] = { "losses", "held by losses: TCP takes them for congestion, and slows down" },
};
/* clang-format on */

/* Of an estimate the high end is less than twice the low one. */
static const double vague_ratio = 5;

bool preview_is_vague(const struct preview *preview, size_t step)
{
    const struct range bps = preview->steps[step].expectation.goodput_bps;

    return bps.high > vague_ratio * bps.low;
}

/* --- rates --------------------------------------------------------------- */

static double fastest_bps(const struct preview *preview)
{
    double most_bps = 0;

    for (size_t i = 0; i < preview->plan->step_count; i++)
        most_bps =
            fmax(most_bps, preview_goodput_bps(preview, i, WAY_TO_STATION));
    return most_bps;
}

/* One unit for all steps, so that they compare at a glance. */
static double rate_unit_bps(const struct preview *preview)
{
    const double most_bps = fastest_bps(preview);

    return most_bps >= 10e6 ? 1e6 : most_bps > 0 && most_bps < 1e3 ? 1 : 1e3;
}

const char *preview_rate_unit(const struct preview *preview)
{
    const double unit_bps = rate_unit_bps(preview);

    return unit_bps > 1e3 ? "Mbit/s" : unit_bps < 1e3 ? "bit/s" : "kbit/s";
}

static void show_rate(const struct preview *preview, double bps,
                      char text[CELL_SIZE])
{
    const double value = bps / rate_unit_bps(preview);

    (void) snprintf(text, CELL_SIZE, "-");
    if (value > 0)
        (void) snprintf(text, CELL_SIZE, "%.*f",
                        value >= 99.95   ? 0
                        : value >= 9.995 ? 1
                        : value >= 0.095 ? 2
                                         : 4,
                        value);
}

void preview_print_rate(FILE *out, const struct preview *preview, double bps,
                        int width)
{
    char text[CELL_SIZE];

    show_rate(preview, bps, text);
    (void) fprintf(out, " %*s", width, text);
}

/* --- the table ----------------------------------------------------------- */

static void print_range(FILE *out, const struct preview *preview,
                        struct range bps)
{
    char low[CELL_SIZE], high[CELL_SIZE], text[2 * CELL_SIZE + 2];

    show_rate(preview, bps.low, low);
    show_rate(preview, bps.high, high);
    (void) snprintf(text, sizeof(text), "%s%s%s", low,
                    strcmp(low, high) == 0 ? "" : "..",
                    strcmp(low, high) == 0 ? "" : high);
    (void) fprintf(out, " %12s", text);
}

static const char *const heads[LAYER_FILE] = {
    "channel", "coded", "frames", "IP", "UDP", "TCP",
};

static int head_width(int layer)
{
    return layer == LAYER_CHANNEL ? 7 : 6;
}

static void print_row(FILE *out, const struct preview *preview, size_t index,
                      int width)
{
    const struct expectation *expectation = &preview->steps[index].expectation;
    const struct carried *way = &expectation->ways[WAY_TO_STATION];
    char acks[CELL_SIZE] = "-";

    (void) fprintf(out, "%-*s", width, preview->plan->steps[index].name);
    const bool is_vague = preview_is_vague(preview, index);

    for (int layer = 0; layer < LAYER_FILE; layer++)
        preview_print_rate(out, preview,
                           is_vague ? (double) NAN
                           : isnan(way->likely_bps[layer])
                               ? range_middle(way->layers_bps[layer])
                               : way->likely_bps[layer],
                           head_width(layer));
    print_range(out, preview, way->layers_bps[LAYER_FILE]);
    if (expectation->acks.likely_segments > 0)
        (void) snprintf(acks, sizeof(acks), "%.1f",
                        expectation->acks.likely_segments);
    (void) fprintf(out, " %7s  %s\n", acks,
                   terms[is_vague ? TERM_UNKNOWN : way->binds].word);
}

/* "steady, brisk" or, of several, "all steps". */
static void list_steps(const struct preview *preview, const bool *has,
                       char *text, size_t size)
{
    const struct plan *plan = preview->plan;
    size_t used = 0, count = 0;

    text[0] = '\0';
    for (size_t i = 0; i < plan->step_count && used < size; i++) {
        if (!has[i])
            continue;
        used += (size_t) snprintf(text + used, size - used, "%s%s",
                                  used ? ", " : "", plan->steps[i].name);
        count++;
    }
    if (count > 1 && count == plan->step_count)
        (void) snprintf(text, size, "all steps");
}

void preview_print_reasons(
    FILE *out, const struct preview *preview, const char *before,
    const char *(*reason_of)(const struct preview *preview, size_t step))
{
    const size_t step_count = preview->plan->step_count;
    bool is_told[PLAN_STEPS_MAX] = { false };

    for (size_t i = 0; i < step_count; i++) {
        const char *reason = reason_of(preview, i);
        char steps[PLAN_STEPS_MAX * (NAME_SIZE + 2)];
        char text[sizeof(steps) + (size_t) 2 * CELL_SIZE];
        bool has[PLAN_STEPS_MAX] = { false };

        if (!reason[0] || is_told[i])
            continue;
        for (size_t j = i; j < step_count; j++) {
            has[j] = strcmp(reason_of(preview, j), reason) == 0;
            is_told[j] = is_told[j] || has[j];
        }
        list_steps(preview, has, steps, sizeof(steps));
        (void) snprintf(text, sizeof(text), "%s: %s%s", steps, before, reason);
        (void) fputs("  ", out);
        options_print_wrapped(out, 4, text);
    }
}

/* What the words of the last column mean; once for each. */
static const char *term_of(const struct preview *preview, size_t step)
{
    const char *means =
        terms[preview->steps[step].expectation.ways[WAY_TO_STATION].binds]
            .means;

    return means && !preview_is_vague(preview, step) ? means : "";
}

static const char *term_up(const struct preview *preview, size_t step)
{
    const struct carried *ways = preview->steps[step].expectation.ways;
    const char *means = terms[ways[WAY_TO_HUB].binds].means;

    return means && !preview_is_vague(preview, step)
                   && ways[WAY_TO_HUB].binds != ways[WAY_TO_STATION].binds
               ? means
               : "";
}

static bool differs_upwards(const struct preview *preview)
{
    bool differs = false;

    for (size_t i = 0; i < preview->plan->step_count; i++)
        differs = differs || term_up(preview, i)[0];
    return differs;
}

void preview_print_layers(FILE *out, const struct preview *preview, int width)
{
    (void) fprintf(out, "\nBy layer, hub to station, in %s:\n%-*s",
                   preview_rate_unit(preview), width, "");
    for (int layer = 0; layer < LAYER_FILE; layer++)
        (void) fprintf(out, " %*s", head_width(layer), "");
    (void) fprintf(out, " %12s %7s  held\n%-*s", "file, from", "segm.", width,
                   "step");
    for (int layer = 0; layer < LAYER_FILE; layer++)
        (void) fprintf(out, " %*s", head_width(layer), heads[layer]);
    (void) fprintf(out, " %12s %7s  by\n", "..to", "per ack");
    for (size_t i = 0; i < preview->plan->step_count; i++)
        print_row(out, preview, i, width);
    preview_print_reasons(out, preview, "", term_of);
    if (!differs_upwards(preview))
        return;
    (void) fputs("  Station to hub:\n", out);
    preview_print_reasons(out, preview, "", term_up);
}
