/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/starter.h"

#include "controller/plan/reader.h"
#include "controller/quantity.h"
#include "controller/text.h"

#include <string.h>

#define EXPLAIN_COLUMN 38 /* where the explanations begin */

/* What the example says for a key; keys without one are printed as a comment
 * with their preset, or with a right value of their unit. */
struct example {
    const char *key, *value;
};

static const struct example plan_examples[] = {
    { "plan", "First light at the boathouse" },
    { NULL, NULL },
};

/* Keys of a plan that follow the sections. */
static const struct example run_examples[] = {
    { "rounds", "2" },
    { "set_steps", "by hand" },
    { NULL, NULL },
};

static const struct example link_examples[] = {
    { "frequency", "438.2 MHz" },
    { "access", "scheduled" },
    { "slot_overhead", "10..14 ms" },
    { "slot_limit", "250 ms" },
    { "frame.payload", "240 B" },
    { "frame.overhead", "12 B" },
    { "mtu", "1500 B" },
    { "distance", "6 km" },
    { "limits.bandwidth", "200 kHz" },
    { NULL, NULL },
};

static const struct example step_examples[] = {
    { "name", "steady" },
    { "symbol_rate", "40 kBd" },
    { "levels", "2" },
    { "code_rate", "3/4" },
    { "deviation", "10 kHz" },
    { "sensitivity", "-108 dBm" },
    { NULL, NULL },
};

static const struct example hub_examples[] = {
    { "role", "hub" },           { "call", "Q0HIL" },
    { "address", "192.0.2.2" },  { "antenna.type", "collinear" },
    { "antenna.gain", "6 dBi" }, { "antenna.height", "12 m" },
    { "power", "2 W" },          { NULL, NULL },
};

static const struct example no_examples[] = { { NULL, NULL } };

static const char *example_of(const struct example *examples, const char *key)
{
    for (; examples->key; examples++) {
        if (strcmp(examples->key, key) == 0)
            return examples->value;
    }
    return NULL;
}

/* A right value for a key that the example leaves out.  Where a time may be
 * left out it is that of a whole exchange. */
static void suggest_value(const struct field *field, char *text, size_t size)
{
    const char *example = field->unit == UNIT_DURATION
                              ? "a time such as 40 s"
                              : unit_example(field->unit);
    const char *such = strstr(example, " such as ");

    if (field->preset && field->preset[0])
        (void) snprintf(text, size, "%s", field->preset);
    else if (field->shape == FIELD_TEXT || !such)
        (void) snprintf(text, size, "...");
    else
        (void) snprintf(text, size, "%.*s", (int) strcspn(such + 9, ","),
                        such + 9);
}

static void print_line(FILE *out, int indent, const char *key,
                       const char *value, bool is_comment,
                       const struct field *field)
{
    char choices[160] = "";
    const int used = fprintf(out, "%*s%s%s: %s", indent, "",
                             is_comment ? "# " : "", key, value);

    if (field->shape == FIELD_CHOICE)
        text_join(field->choices, choices, sizeof(choices));
    const bool is_list = choices[0] && strcmp(choices, field->help) != 0;
    (void) fprintf(out, "%*s# %s%s%s%s\n",
                   used < EXPLAIN_COLUMN ? EXPLAIN_COLUMN - used : 1, "",
                   field->help, is_list ? " (" : "", is_list ? choices : "",
                   is_list ? ")" : "");
}

/* "frame:" above the first key of a mapping in the mapping. */
static void print_outer_key(FILE *out, int indent, const char *key,
                            const char *before, bool is_comment)
{
    const size_t length = strcspn(key, ".");

    if (strncmp(before, key, length + 1) != 0)
        (void) fprintf(out, "%*s%s%.*s:\n", indent, "", is_comment ? "# " : "",
                       (int) length, key);
}

static bool has_example_in(const struct example *examples, const char *key)
{
    const size_t length = strcspn(key, ".") + 1;

    for (; examples->key; examples++) {
        if (strncmp(examples->key, key, length) == 0)
            return true;
    }
    return false;
}

static void print_field(FILE *out, int indent, const struct field *field,
                        const char *before, const struct example *examples)
{
    const char *dot = strchr(field->key, '.');
    const char *value = example_of(examples, field->key);
    char suggestion[QUANTITY_TEXT_SIZE];

    suggest_value(field, suggestion, sizeof(suggestion));
    if (dot)
        print_outer_key(out, indent, field->key, before,
                        !has_example_in(examples, field->key));
    print_line(out, dot ? indent + 2 : indent, dot ? dot + 1 : field->key,
               value ? value : suggestion, !value, field);
}

static void print_fields(FILE *out, int indent, const struct field *fields,
                         size_t field_count, const struct example *examples)
{
    const char *before = "";

    for (size_t i = 0; i < field_count; i++) {
        if (!fields[i].key)
            continue;
        print_field(out, indent, &fields[i], before, examples);
        before = fields[i].key;
    }
}

static void print_plan_field(FILE *out, const char *key,
                             const struct example *examples)
{
    for (size_t i = 0; i < COUNT_OF(plan_fields); i++) {
        if (strcmp(plan_fields[i].key, key) == 0)
            print_field(out, 0, &plan_fields[i], "", examples);
    }
}

/* A list item: the first key stands behind the dash. */
static void print_step(FILE *out)
{
    (void) fputs("  -\n", out);
    print_fields(out, 4, step_fields, COUNT_OF(step_fields), step_examples);
}

static void print_kind(FILE *out, const struct kind *kind)
{
    (void) fprintf(out, "  # %s: %s\n", kind->name, kind->help);
    for (size_t i = 0; i < kind->spec_field_count; i++) {
        const struct field *field = &kind->spec_fields[i];
        char suggestion[QUANTITY_TEXT_SIZE];

        suggest_value(field, suggestion, sizeof(suggestion));
        if (field->key)
            print_line(out, 4, field->key, suggestion, true, field);
    }
}

void starter_print(FILE *out)
{
    (void) fputs(
        "# A starter plan for bothends.  Everything in it is invented: put\n"
        "# your own values in, then see what it would do with\n"
        "#\n"
        "#   bothends check FILE      (nothing is sent)\n"
        "#   bothends run FILE\n"
        "#\n"
        "# Every value carries its unit.  10..14 ms is a range.  A key behind "
        "'#'\n"
        "# may be left out; what stands there is its preset, if it has "
        "one.\n\n",
        out);
    print_plan_field(out, "plan", plan_examples);
    print_plan_field(out, "on_air", plan_examples);

    (void) fputs("\n# What the link is, as far as you know it.\nlink:\n", out);
    print_fields(out, 2, link_fields, COUNT_OF(link_fields), link_examples);

    (void) fputs("\n# What the radio offers.  With symbol_rate and levels the "
                 "expected capacity is\n# computed; if the data sheet gives "
                 "one rate, say usable_rate instead.\nsteps:\n",
                 out);
    print_step(out);
    (void) fputs("  - {name: brisk, symbol_rate: 80 kBd, levels: 2, "
                 "code_rate: 3/4, deviation: 20 kHz, sensitivity: -105 dBm}\n"
                 "  # - {name: brisk, usable_rate: 50 kbit/s, "
                 "usable_rate_is: one way, bandwidth: 120 kHz}\n",
                 out);

    (void) fputs("\n# The computers, one behind each radio: one hub, and one "
                 "or more stations.\nends:\n  hilltop:\n",
                 out);
    print_fields(out, 4, end_fields, COUNT_OF(end_fields), hub_examples);
    (void) fputs("  boathouse:\n    role: station\n    call: Q1BOA\n"
                 "    address: 192.0.2.20\n"
                 "    antenna: {type: yagi, gain: 11 dBi, height: 5 m}\n"
                 "    power: 2 W\n"
                 "\ncontroller_at: hilltop                # the end at whose "
                 "computer you sit\n",
                 out);

    (void) fputs("\n# What is sent, one after another, on every step.  from "
                 "and to name the way of\n# the data; between names two ends "
                 "that both send.\n",
                 out);
    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++)
        print_kind(out, exchange_kinds[i]);
    (void) fputs(
        "sequence:\n"
        "  - ping: {from: boathouse, to: hilltop, count: 40}\n"
        "  - download: {from: hilltop, to: boathouse, size: 300 kB}\n"
        "  - download: {from: boathouse, to: hilltop, size: 300 kB}\n"
        "  - messages: {between: [hilltop, boathouse], count: 40}\n"
        "  - together:                         # at once: is the link usable "
        "while somebody downloads?\n"
        "      - download: {from: hilltop, to: boathouse, for: 40 s}\n"
        "      - ping: {from: boathouse, to: hilltop, for: 40 s}\n\n",
        out);
    print_plan_field(out, "rounds", run_examples);
    print_plan_field(out, "set_steps", run_examples);
    print_plan_field(out, "reference", run_examples);
    print_plan_field(out, "weather", run_examples);
    print_plan_field(out, "note", run_examples);
    print_plan_field(out, "public.locator", run_examples);

    (void) fputs("\n# Only for rehearsals on the practice link.\n"
                 "# practice:\n",
                 out);
    print_fields(out, 2, practice_fields, COUNT_OF(practice_fields),
                 no_examples);
    (void) fputs("  # ends:\n"
                 "  #   boathouse: {translation: yes, clock_offset: 2 s, "
                 "clock_skew: 20 ppm}\n"
                 "  # events:                           # what comes and goes: "
                 "DEVELOPERS.md lists it\n"
                 "  #   - {at: 60 s, for: 10 s, what: outage, end: boathouse}\n"
                 "  #   - {at: 90 s, for: 30 s, what: loss, chance: 10 %, "
                 "burst: 3, from: boathouse}\n",
                 out);
}
