/* SPDX-License-Identifier: GPL-3.0-or-later */

/* What is sent, and how long it takes. */
#include "controller/plan/preview_parts.h"

#include "controller/options.h"
#include "controller/quantity.h"

#include <string.h>

#define LINE_WIDTH      80
#define DURATION_COLUMN 10
#define CELL_SIZE       96
#define ALIKE_LEAST     3 /* so many more are told in one line */

void preview_show_duration(uint64_t duration_ns, char *text, size_t size)
{
    const uint64_t seconds = (duration_ns + NS_PER_S / 2) / NS_PER_S;
    const unsigned long long h = seconds / 3600, min = seconds / 60 % 60;
    const unsigned long long s = seconds % 60;

    /* What is about, or at most, needs no more figures. */
    if (seconds >= UINT64_C(100) * 3600)
        (void) snprintf(text, size, "%llu days", (h + 12) / 24);
    else if (seconds >= 3600)
        (void) snprintf(text, size, "%llu h %02llu min", h, min);
    else if (seconds >= 600)
        (void) snprintf(text, size, "%llu min", min);
    else if (seconds >= 60)
        (void) snprintf(text, size, "%llu min %02llu s", min, s);
    else
        (void) snprintf(text, size, "%llu s", s);
}

size_t preview_columns_most(int left_width, int column_width)
{
    const int room = (LINE_WIDTH - left_width) / column_width;

    return room < 2 ? 2 : (size_t) room;
}

void preview_choose_columns(const struct preview *preview, size_t most,
                            struct step_columns *ret_columns)
{
    const size_t step_count = preview->plan->step_count;
    size_t slowest = 0, fastest = 0;

    ret_columns->count = 0;
    for (size_t i = 0; i < step_count; i++) {
        if (preview->steps[i].planned_ns > preview->steps[slowest].planned_ns)
            slowest = i;
        if (preview->steps[i].planned_ns < preview->steps[fastest].planned_ns)
            fastest = i;
        if (step_count <= most)
            ret_columns->steps[ret_columns->count++] = i;
    }
    if (step_count > most) {
        ret_columns->steps[0] = slowest;
        ret_columns->steps[1] = fastest;
        ret_columns->count = 2;
    }
}

/* Beside the way and what the plan says of the exchange. */
#define LEFT_WIDTH  16
#define SPEC_INDENT 14

/* Which steps get a column of durations, and how wide the others are. */
struct columns {
    struct step_columns steps;
    int way_width, spec_width;
    bool is_spec_below; /* there is no room for it beside the durations */
};

/* "count 40, gap 2 s": what the plan says beyond the presets. */
static void describe_spec(const struct plan_exchange *exchange, char *text,
                          size_t size)
{
    size_t used = 0;

    text[0] = '\0';
    for (size_t i = 0; i < exchange->kind->spec_field_count && used < size;
         i++) {
        const struct field *field = &exchange->kind->spec_fields[i];
        char value[QUANTITY_TEXT_SIZE];

        if (!field->key || quantity_is_preset(field, exchange->spec.bytes)
            || !quantity_is_said(field, exchange->spec.bytes))
            continue;
        quantity_write(field, exchange->spec.bytes, value, sizeof(value));
        used += (size_t) snprintf(text + used, size - used, "%s%s %s",
                                  used ? ", " : "", field->key, value);
    }
}

static void measure_columns(const struct plan *plan, struct columns *columns)
{
    const size_t durations = plan->step_count < 2 ? plan->step_count : 2;
    size_t way_width = 0, spec_width = 0;

    for (size_t i = 0; i < plan->exchange_count; i++) {
        char text[2 * QUANTITY_TEXT_SIZE];

        plan_exchange_way(&plan->exchanges[i], text, sizeof(text));
        way_width = strlen(text) > way_width ? strlen(text) : way_width;
        describe_spec(&plan->exchanges[i], text, sizeof(text));
        spec_width = strlen(text) > spec_width ? strlen(text) : spec_width;
    }
    columns->way_width = (int) way_width;
    columns->spec_width = (int) spec_width;
    columns->is_spec_below =
        LEFT_WIDTH + way_width + spec_width + durations * (DURATION_COLUMN + 1)
        > LINE_WIDTH;
    if (columns->is_spec_below)
        columns->spec_width = 0;
}

/* What stands left of the durations. */
static void print_left(FILE *out, const struct columns *columns,
                       const char *mark, const char *kind, const char *way,
                       const char *spec)
{
    (void) fprintf(out, "%3s %-9s %-*s  %-*s", mark, kind, columns->way_width,
                   way, columns->spec_width, spec);
}

static void print_exchange(FILE *out, const struct preview *preview,
                           size_t index, const struct columns *columns,
                           const char *mark)
{
    const struct plan_exchange *exchange = &preview->plan->exchanges[index];
    char way[2 * ADDRESS_SIZE + 8], spec[256];

    plan_exchange_way(exchange, way, sizeof(way));
    describe_spec(exchange, spec, sizeof(spec));
    print_left(out, columns, mark, exchange->kind->name, way,
               columns->is_spec_below ? "" : spec);
    for (size_t i = 0; i < columns->steps.count; i++) {
        char duration[CELL_SIZE];

        preview_show_duration(
            preview_exchange_ns(preview, index, columns->steps.steps[i]),
            duration, sizeof(duration));
        (void) fprintf(out, " %*s", DURATION_COLUMN, duration);
    }
    (void) fputs("\n", out);
    if (columns->is_spec_below && spec[0]) {
        (void) fprintf(out, "%*s", SPEC_INDENT, "");
        options_print_wrapped(out, SPEC_INDENT, spec);
    }
}

/* Do both do the same, other ends apart? */
static bool is_alike(const struct preview *preview, size_t one, size_t other,
                     const struct columns *columns)
{
    const struct plan_exchange *exchanges = preview->plan->exchanges;
    char spec[256], other_spec[256];

    describe_spec(&exchanges[one], spec, sizeof(spec));
    describe_spec(&exchanges[other], other_spec, sizeof(other_spec));
    if (exchanges[one].kind != exchanges[other].kind
        || strcmp(spec, other_spec) != 0)
        return false;
    for (size_t i = 0; i < columns->steps.count; i++) {
        const size_t step = columns->steps.steps[i];

        if (preview_exchange_ns(preview, one, step) / NS_PER_S
            != preview_exchange_ns(preview, other, step) / NS_PER_S)
            return false;
    }
    return true;
}

static void print_group(FILE *out, const struct preview *preview, size_t index,
                        const struct columns *columns)
{
    const struct plan_group *group = &preview->plan->groups[index];
    const size_t end = group->first + group->count;
    char number[24];

    (void) snprintf(number, sizeof(number), "%zu", index + 1);
    for (size_t i = group->first; i < end; i++) {
        size_t alike = 0;

        while (i + alike + 1 < end
               && is_alike(preview, i, i + alike + 1, columns))
            alike++;
        print_exchange(out, preview, i, columns,
                       i == group->first ? number : "+");
        if (alike < ALIKE_LEAST)
            continue;
        (void) fprintf(out, "%3s and %zu more like it, of other ends\n", "+",
                       alike);
        i += alike;
    }
}

void preview_print_sequence(FILE *out, const struct preview *preview)
{
    struct columns columns;
    char duration[CELL_SIZE], longest[CELL_SIZE], sentence[4 * CELL_SIZE];

    measure_columns(preview->plan, &columns);
    preview_choose_columns(preview,
                           preview_columns_most(LEFT_WIDTH + columns.way_width
                                                    + columns.spec_width,
                                                DURATION_COLUMN + 1),
                           &columns.steps);
    (void) fputs("\nWhat is sent in each round (+ at the same time), and about "
                 "how long on a step:\n",
                 out);
    print_left(out, &columns, "", "", "", "");
    for (size_t i = 0; i < columns.steps.count; i++)
        (void) fprintf(out, " %*s", DURATION_COLUMN,
                       preview->plan->steps[columns.steps.steps[i]].name);
    (void) fputs("\n", out);
    for (size_t i = 0; i < preview->plan->group_count; i++)
        print_group(out, preview, i, &columns);
    print_left(out, &columns, "", "in all", "", "");
    for (size_t i = 0; i < columns.steps.count; i++) {
        preview_show_duration(preview->steps[columns.steps.steps[i]].planned_ns,
                              duration, sizeof(duration));
        (void) fprintf(out, " %*s", DURATION_COLUMN, duration);
    }
    preview_show_duration(preview->planned_ns, duration, sizeof(duration));
    preview_show_duration(preview->longest_ns, longest, sizeof(longest));
    (void) snprintf(sentence, sizeof(sentence),
                    "All steps and rounds take about %s of measuring (at the "
                    "very most %s, if nothing got through); setting steps and "
                    "fetching results come on top.",
                    duration, longest);
    (void) fputs("\n\n", out);
    options_print_wrapped(out, 0, sentence);
}
