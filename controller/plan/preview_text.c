/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"

#include "controller/options.h"
#include "controller/quantity.h"

#include <bothends/cautions.h>
#include <string.h>

#define STEP_COLUMNS_MAX 4 /* with more steps: the fastest and the slowest */
#define DURATION_COLUMN  11
#define CELL_SIZE        96

static void show_duration(uint64_t duration_ns, char *text, size_t size)
{
    const uint64_t seconds = (duration_ns + NS_PER_S / 2) / NS_PER_S;
    const unsigned long long h = seconds / 3600, min = seconds / 60 % 60;
    const unsigned long long s = seconds % 60;

    /* What is about, or at most, needs no more figures. */
    if (seconds >= 3600)
        (void) snprintf(text, size, "%llu h %02llu min", h, min);
    else if (seconds >= 600)
        (void) snprintf(text, size, "%llu min", min);
    else if (seconds >= 60)
        (void) snprintf(text, size, "%llu min %02llu s", min, s);
    else
        (void) snprintf(text, size, "%llu s", s);
}

static void print_count(FILE *out, size_t count, const char *thing,
                        const char *behind)
{
    (void) fprintf(out, "%zu %s%s%s", count, thing, count == 1 ? "" : "s",
                   behind);
}

static void print_title(FILE *out, const struct plan *plan)
{
    (void) fprintf(out, "%s: ", plan->title);
    print_count(out, 1, "hub", ", ");
    print_count(out, plan_site_count(plan) - 1, "station", ", ");
    print_count(out, plan->step_count, "step", ", ");
    print_count(out, plan->rounds, "round", ".\n");
    (void) fputs("Nothing is sent by this command.\n", out);
}

/* --- the link and the ends ---------------------------------------------- */

/* " slots up to 250 ms": words around a said value. */
static void print_said(FILE *out, const char *before, const char *key,
                       const char *behind, const struct plan_link *link)
{
    for (size_t i = 0; i < COUNT_OF(link_fields); i++) {
        const struct field *field = &link_fields[i];
        char text[QUANTITY_TEXT_SIZE];

        if (strcmp(field->key, key) != 0)
            continue;
        quantity_write(field, link, text, sizeof(text));
        if (text[0])
            (void) fprintf(out, "%s%s%s", before, text, behind);
    }
}

static void print_link(FILE *out, const struct plan *plan)
{
    const struct plan_link *link = &plan->link;

    (void) fprintf(out, "\nlink    %s", link_accesses[link->access]);
    print_said(out, ", ", "frequency", "", link);
    print_said(out, ", ", "distance", "", link);
    print_said(out, ", MTU ", "mtu", "", link);
    (void) fputs("\n", out);
    if (range_is_said(link->slot_limit_ns)) {
        print_said(out, "        transmissions up to ", "slot_limit", "", link);
        print_said(out, ", of which ", "slot_overhead", " overhead\n", link);
    }
    if (!plan->on_air)
        (void) fputs("        on the bench: nothing goes on the air\n", out);
}

static int widest_name(const struct plan *plan)
{
    size_t width = 4;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (strlen(plan->ends[i].name) > width)
            width = strlen(plan->ends[i].name);
    }
    return (int) width;
}

static void print_ends(FILE *out, const struct plan *plan)
{
    const int width = widest_name(plan);

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];
        const bool is_six = strchr(end->address, ':') != NULL;

        (void) fprintf(out, "%-8s%-*s  %-7s  %-8s  %s%s%s",
                       i == 0 ? "ends" : "", width, end->name,
                       end_roles[end->role],
                       end->call[0] ? end->call : "no call", is_six ? "[" : "",
                       end->address, is_six ? "]" : "");
        if (end->agent == AGENT_RUNS)
            (void) fprintf(out, " port %llu", (unsigned long long) end->port);
        else
            (void) fputs(", no agent", out);
        if (end->landmark != LANDMARK_NONE)
            (void) fprintf(out, ", landmark: %s", landmarks[end->landmark]);
        if (end->control[0])
            (void) fprintf(out, ", spoken to at %s", end->control);
        if (end->interface[0])
            (void) fprintf(out, ", by %s only", end->interface);
        if ((size_t) plan->controller_end == i)
            (void) fputs(", you sit here", out);
        (void) fputs("\n", out);
    }
}

/* --- what the steps should carry ---------------------------------------- */

static void print_rate_takes(FILE *out, struct range goodput_bps)
{
    char text[CELL_SIZE] = "-";

    if (range_is_said(goodput_bps))
        show_duration(
            (uint64_t) (1e6 * BITS_PER_BYTE * 1e9 / range_middle(goodput_bps)),
            text, sizeof(text));
    (void) fprintf(out, " %10s", text);
}

/* Ranges of times are narrow beside the table's purpose: their middle. */
static void print_time(FILE *out, struct range range_ns)
{
    char text[CELL_SIZE];

    quantity_show(UNIT_DURATION, range_middle(range_ns), text, sizeof(text));
    (void) fprintf(out, " %9s", text);
}

static void print_step(FILE *out, const struct preview *preview, size_t index,
                       bool has_sources)
{
    const struct preview_step *step = &preview->steps[index];
    const struct expectation *expectation = &step->expectation;
    char text[CELL_SIZE];

    quantity_show(UNIT_HERTZ, step->bandwidth_hz, text, sizeof(text));
    (void) fprintf(out, "  %-8s %9s", preview->plan->steps[index].name, text);
    quantity_show_range(UNIT_RATE, expectation->goodput_bps, text,
                        sizeof(text));
    (void) fprintf(out, " %17s", text);
    print_rate_takes(out, expectation->goodput_bps);
    print_time(out, expectation->cycle_ns);
    print_time(out, expectation->least_rtt_ns);
    print_time(out, expectation->mean_rtt_ns);
    (void) fprintf(out, "%s%s%s\n", step->is_over_limit ? "*" : "",
                   has_sources ? "  " : "",
                   has_sources ? expectation->source : "");
}

/* Each reason once, with the steps that it holds for. */
static void print_reasons(FILE *out, const struct preview *preview)
{
    const struct plan *plan = preview->plan;

    for (size_t i = 0; i < plan->step_count; i++) {
        const char *why = preview->steps[i].expectation.why;
        char text[PLAN_STEPS_MAX * (NAME_SIZE + 2) + CELL_SIZE * 2];
        size_t used = 0;
        bool is_said = why[0] == '\0';

        for (size_t j = 0; j < i; j++)
            is_said =
                is_said || strcmp(preview->steps[j].expectation.why, why) == 0;
        if (is_said)
            continue;
        for (size_t j = i; j < plan->step_count; j++) {
            if (strcmp(preview->steps[j].expectation.why, why) == 0)
                used +=
                    (size_t) snprintf(text + used, sizeof(text) - used, "%s%s",
                                      used ? ", " : "", plan->steps[j].name);
        }
        (void) snprintf(text + used, sizeof(text) - used, ": %s", why);
        (void) fputs("  ", out);
        options_print_wrapped(out, 4, text);
    }
}

static void print_step_notes(FILE *out, const struct preview *preview)
{
    const struct plan *plan = preview->plan;
    char limit[CELL_SIZE];

    quantity_show(UNIT_HERTZ, plan->link.limit_bandwidth_hz, limit,
                  sizeof(limit));
    print_reasons(out, preview);
    for (size_t i = 0; i < plan->step_count; i++) {
        const struct preview_step *step = &preview->steps[i];

        if (step->is_over_limit && plan->on_air)
            (void) fprintf(out,
                           "  * %s is not run: it is wider than "
                           "link.limits.bandwidth, %s\n"
                           "    (on_air: no, for a bench test)\n",
                           plan->steps[i].name, limit);
        else if (step->is_over_limit)
            (void) fprintf(out,
                           "  * %s is wider than link.limits.bandwidth, %s: "
                           "for the bench only\n",
                           plan->steps[i].name, limit);
    }
    if (isnan(plan->link.limit_bandwidth_hz))
        (void) fputs("  link.limits.bandwidth is not said: no step is held "
                     "against your licence.\n",
                     out);
}

/* Most plans have one source for all of their steps. */
static bool has_mixed_sources(const struct preview *preview)
{
    for (size_t i = 1; i < preview->plan->step_count; i++) {
        if (strcmp(preview->steps[i].expectation.source,
                   preview->steps[0].expectation.source)
            != 0)
            return true;
    }
    return false;
}

static void print_steps(FILE *out, const struct preview *preview)
{
    const bool is_mixed = has_mixed_sources(preview);
    const char *source = preview->steps[0].expectation.source;

    (void) fprintf(out, "\nWhat each step should carry, one way, alone%s%s:\n",
                   is_mixed || !source[0] ? "" : ", ", is_mixed ? "" : source);
    (void) fprintf(out, "  %-8s %9s %17s %10s %9s %9s %9s\n", "step",
                   "bandwidth", "goodput", "1 MB takes", "cycle", "least rtt",
                   "mean rtt");
    for (size_t i = 0; i < preview->plan->step_count; i++)
        print_step(out, preview, i, is_mixed);
    print_step_notes(out, preview);
}

/* --- the sequence ------------------------------------------------------- */

/* Which steps get a column of durations, and how wide the others are. */
struct columns {
    size_t steps[STEP_COLUMNS_MAX];
    size_t count;
    int way_width, spec_width;
};

static void choose_columns(const struct preview *preview,
                           struct columns *ret_columns)
{
    const size_t step_count = preview->plan->step_count;
    size_t slowest = 0, fastest = 0;

    ret_columns->count = 0;
    for (size_t i = 0; i < step_count; i++) {
        if (preview->steps[i].planned_ns > preview->steps[slowest].planned_ns)
            slowest = i;
        if (preview->steps[i].planned_ns < preview->steps[fastest].planned_ns)
            fastest = i;
        if (step_count <= STEP_COLUMNS_MAX)
            ret_columns->steps[ret_columns->count++] = i;
    }
    if (step_count > STEP_COLUMNS_MAX) {
        ret_columns->steps[0] = slowest;
        ret_columns->steps[1] = fastest;
        ret_columns->count = 2;
    }
}

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
}

/* What stands left of the durations. */
static void print_left(FILE *out, const struct columns *columns,
                       const char *mark, const char *kind, const char *way,
                       const char *spec)
{
    (void) fprintf(out, "  %3s %-9s %-*s  %-*s", mark, kind, columns->way_width,
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
    print_left(out, columns, mark, exchange->kind->name, way, spec);
    for (size_t i = 0; i < columns->count; i++) {
        char duration[CELL_SIZE];

        show_duration(preview_exchange_ns(preview, index, columns->steps[i]),
                      duration, sizeof(duration));
        (void) fprintf(out, " %*s", DURATION_COLUMN, duration);
    }
    (void) fputs("\n", out);
}

static void print_groups(FILE *out, const struct preview *preview,
                         const struct columns *columns)
{
    const struct plan *plan = preview->plan;

    for (size_t i = 0; i < plan->group_count; i++) {
        const struct plan_group *group = &plan->groups[i];

        for (size_t j = 0; j < group->count; j++) {
            char number[24];

            (void) snprintf(number, sizeof(number), "%zu", i + 1);
            print_exchange(out, preview, group->first + j, columns,
                           j == 0 ? number : "+");
        }
    }
}

static void print_sequence(FILE *out, const struct preview *preview)
{
    struct columns columns;
    char duration[CELL_SIZE], longest[CELL_SIZE], sentence[4 * CELL_SIZE];

    choose_columns(preview, &columns);
    measure_columns(preview->plan, &columns);
    (void) fputs("\nWhat is sent in each round (+ at the same time), and about "
                 "how long on a step:\n",
                 out);
    print_left(out, &columns, "", "", "", "");
    for (size_t i = 0; i < columns.count; i++)
        (void) fprintf(out, " %*s", DURATION_COLUMN,
                       preview->plan->steps[columns.steps[i]].name);
    (void) fputs("\n", out);
    print_groups(out, preview, &columns);
    print_left(out, &columns, "", "in all", "", "");
    for (size_t i = 0; i < columns.count; i++) {
        show_duration(preview->steps[columns.steps[i]].planned_ns, duration,
                      sizeof(duration));
        (void) fprintf(out, " %*s", DURATION_COLUMN, duration);
    }
    show_duration(preview->planned_ns, duration, sizeof(duration));
    show_duration(preview->longest_ns, longest, sizeof(longest));
    (void) snprintf(sentence, sizeof(sentence),
                    "All steps and rounds take about %s of measuring (at the "
                    "very most %s, if nothing got through); setting steps and "
                    "fetching results come on top.",
                    duration, longest);
    (void) fputs("\n\n", out);
    options_print_wrapped(out, 0, sentence);
}

/* --- cautions ----------------------------------------------------------- */

static void print_doubts(FILE *out, const struct plan *plan)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->on_air && !plan->ends[i].call[0]
            && plan_has_agent(plan, (int) i))
            (void) fprintf(out,
                           "  %s has no call: its transmissions would not be "
                           "identified by a call sign.\n",
                           plan->ends[i].name);
        if (plan->set_steps == SET_BY_AGENT && plan->step_count > 1
            && plan_end_is_site(&plan->ends[i])
            && !plan_has_agent(plan, (int) i))
            (void) fprintf(out,
                           "  %s has no agent that could set its radio: say "
                           "set_steps: by hand, or keep to one step.\n",
                           plan->ends[i].name);
    }
}

static void print_cautions(FILE *out, const struct plan *plan)
{
    (void) fputs("\nBefore you transmit:\n", out);
    print_doubts(out, plan);
    for (size_t i = 0; cautions[i]; i++) {
        (void) fputs("  - ", out);
        options_print_wrapped(out, 4, cautions[i]);
    }
}

void preview_print(FILE *out, const struct preview *preview)
{
    print_title(out, preview->plan);
    print_link(out, preview->plan);
    print_ends(out, preview->plan);
    print_steps(out, preview);
    print_sequence(out, preview);
    print_cautions(out, preview->plan);
}
