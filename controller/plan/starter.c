/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/starter.h"

#include "controller/plan/reader.h"
#include "controller/quantity.h"
#include "controller/text.h"

#include <string.h>

#define EXPLAIN_COLUMN 38 /* where the explanations begin */
#define LINE_COLUMNS   96

/* How much of a plan a key is. */
enum weight {
    SAID,    /* the example says it */
    HINT,    /* worth knowing of: a comment */
    ALL_ONLY /* a comment where every key is asked for, with this value */
};

struct example {
    const char *key, *value; /* NULL: its preset */
    enum weight weight;
};

/* clang-format off */
static const struct example plan_examples[] = {
    { "plan", "First light at the boathouse", SAID },
    { "on_air", NULL, HINT },
    { NULL, NULL, SAID },
};

/* Keys of a plan that follow the sections. */
static const struct example run_examples[] = {
    { "rounds", "2", SAID },
    { "set_steps", "by hand", SAID },
    { "reference", "3", HINT },
    { "weather", "dry, light wind", ALL_ONLY },
    { NULL, NULL, SAID },
};

static const struct example link_examples[] = {
    { "frequency", "438.2 MHz", SAID },
    { "access", "scheduled", SAID },
    { "slot_overhead", "10..14 ms", SAID },
    { "slot_limit", "250 ms", SAID },
    { "frame.payload", "240 B", SAID },
    { "frame.overhead", "12 B", SAID },
    { "mtu", "1500 B", SAID },
    { "distance", "6 km", SAID },
    { "limits.bandwidth", "200 kHz", SAID },
    { "stations", "4", HINT },
    { "repeats.limit", NULL, HINT },
    { "limits.power", "10 W", HINT },
    { "limits.duty_cycle", NULL, HINT },
    { "slot_least", "12 ms", ALL_ONLY },
    { "guard", "500 us", ALL_ONLY },
    { "fade_margin", "15 dB", ALL_ONLY },
    { "loss", "1..3 %", ALL_ONLY },
    { NULL, NULL, SAID },
};

static const struct example step_examples[] = {
    { "name", "steady", SAID },
    { "symbol_rate", "40 kBd", SAID },
    { "levels", "2", SAID },
    { "code_rate", "3/4", SAID },
    { "deviation", "10 kHz", SAID },
    { "sensitivity", "-108 dBm", SAID },
    { "roll_off", "35 %", ALL_ONLY },
    { "signal_to_noise", "14 dB", ALL_ONLY },
    { NULL, NULL, SAID },
};

static const struct example hub_examples[] = {
    { "role", "hub", SAID },
    { "call", "Q0HIL", SAID },
    { "address", "192.0.2.2", SAID },
    { "antenna.type", "collinear", SAID },
    { "antenna.gain", "6 dBi", SAID },
    { "antenna.height", "12 m", SAID },
    { "power", "2 W", SAID },
    { "position", "IJ50kd", HINT },
    { "interface", "eth0", HINT },
    { "control", "10.71.0.2", ALL_ONLY },
    { "key", "bothends.key", ALL_ONLY },
    { "ground", "140 m", ALL_ONLY },
    { "feed.length", "15 m", ALL_ONLY },
    { "antenna.swr", "1.4", ALL_ONLY },
    { "noise.figure", "6 dB", ALL_ONLY },
    { "distance", "6 km", ALL_ONLY },
    { "obstacle.distance", "2 km", ALL_ONLY },
    { "obstacle.height", "150 m", ALL_ONLY },
    { "supply", "battery", ALL_ONLY },
    { NULL, NULL, SAID },
};
/* clang-format on */

static const struct example no_examples[] = { { NULL, NULL, SAID } };

static const struct example *example_of(const struct example *examples,
                                        const char *key)
{
    for (; examples->key; examples++) {
        if (strcmp(examples->key, key) == 0)
            return examples;
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

/* From that column on, in as many lines as it takes; behind a key that is a
 * comment in one: whoever takes the '#' away takes it from each line. */
static void explain(FILE *out, int used, bool is_comment, const char *text)
{
    int column = used < EXPLAIN_COLUMN ? EXPLAIN_COLUMN : used + 1;

    (void) fprintf(out, "%*s#", column - used, "");
    column++;
    while (*text) {
        const int length = (int) strcspn(text, " ");

        if (!is_comment && column + 1 + length > LINE_COLUMNS) {
            (void) fprintf(out, "\n%*s#", EXPLAIN_COLUMN, "");
            column = EXPLAIN_COLUMN + 1;
        }
        (void) fprintf(out, " %.*s", length, text);
        column += 1 + length;
        text += length;
        text += strspn(text, " ");
    }
    (void) fputc('\n', out);
}

static void print_line(FILE *out, int indent, const char *key,
                       const char *value, bool is_comment,
                       const struct field *field)
{
    char choices[160] = "", text[640];
    const int used = fprintf(out, "%*s%s%s: %s", indent, "",
                             is_comment ? "# " : "", key, value);

    if (field->shape == FIELD_CHOICE)
        text_join(field->choices, choices, sizeof(choices));
    const bool is_list = choices[0] && strcmp(choices, field->help) != 0;
    (void) snprintf(text, sizeof(text), "%s%s%s%s", field->help,
                    is_list ? " (" : "", is_list ? choices : "",
                    is_list ? ")" : "");
    explain(out, used, is_comment, text);
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

/* Does the example say one of the keys of that mapping? */
static bool has_example_in(const struct example *examples, const char *key)
{
    const size_t length = strcspn(key, ".") + 1;

    for (; examples->key; examples++) {
        if (strncmp(examples->key, key, length) == 0
            && examples->weight == SAID)
            return true;
    }
    return false;
}

/* One field list being printed. */
struct printing {
    FILE *out;
    bool is_all; /* every key, or what an example says or hints at */
    const struct example *examples;
};

static bool is_printed(const struct printing *printing,
                       const struct field *field)
{
    const struct example *example =
        field->key ? example_of(printing->examples, field->key) : NULL;

    return field->key
           && (printing->is_all || (example && example->weight != ALL_ONLY));
}

static void print_field(const struct printing *printing, int indent,
                        const struct field *field, const char *before)
{
    const char *dot = strchr(field->key, '.');
    const struct example *example = example_of(printing->examples, field->key);
    const bool is_said = example && example->weight == SAID;
    char suggestion[QUANTITY_TEXT_SIZE];

    suggest_value(field, suggestion, sizeof(suggestion));
    if (dot)
        print_outer_key(printing->out, indent, field->key, before,
                        !has_example_in(printing->examples, field->key));
    print_line(printing->out, dot ? indent + 2 : indent,
               dot ? dot + 1 : field->key,
               example && example->value ? example->value : suggestion,
               !is_said, field);
}

static void print_fields(const struct printing *printing, int indent,
                         const struct field *fields, size_t field_count)
{
    const char *before = "";

    for (size_t i = 0; i < field_count; i++) {
        if (!is_printed(printing, &fields[i]))
            continue;
        print_field(printing, indent, &fields[i], before);
        before = fields[i].key;
    }
}

static void print_plan_field(FILE *out, const char *key, bool is_all,
                             const struct example *examples)
{
    const struct printing printing = { out, is_all, examples };

    for (size_t i = 0; i < COUNT_OF(plan_fields); i++) {
        if (strcmp(plan_fields[i].key, key) == 0
            && is_printed(&printing, &plan_fields[i]))
            print_field(&printing, 0, &plan_fields[i], "");
    }
}

/* A list item: the first key stands behind the dash. */
static void print_steps(FILE *out, bool is_all)
{
    const struct printing printing = { out, is_all, step_examples };

    (void) fputs("\n# What the radio offers.  With symbol_rate and levels the "
                 "expected capacity is\n# computed; if the data sheet gives "
                 "one rate, say usable_rate instead.\nsteps:\n  -\n",
                 out);
    print_fields(&printing, 4, step_fields, COUNT_OF(step_fields));
    (void) fputs("  - {name: brisk, symbol_rate: 80 kBd, levels: 2, "
                 "code_rate: 3/4,\n     deviation: 20 kHz, sensitivity: -105 "
                 "dBm}\n"
                 "  # - {name: brisk, usable_rate: 50 kbit/s, "
                 "usable_rate_is: one way, bandwidth: 120 kHz}\n",
                 out);
}

static void print_ends(FILE *out, bool is_all)
{
    const struct printing printing = { out, is_all, hub_examples };

    (void) fputs("\n# The computers, one behind each radio: one hub, and one "
                 "or more stations.\nends:\n  hilltop:\n",
                 out);
    print_fields(&printing, 4, end_fields, COUNT_OF(end_fields));
    (void) fputs("  boathouse:\n    role: station\n    call: Q1BOA\n"
                 "    address: 192.0.2.20\n"
                 "    antenna: {type: yagi, gain: 11 dBi, height: 5 m}\n"
                 "    power: 2 W\n"
                 "\ncontroller_at: hilltop                # the end at whose "
                 "computer you sit\n",
                 out);
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

static void print_sequence(FILE *out, bool is_all)
{
    (void) fputs("\n# What is sent, one after another, on every step.  from "
                 "and to name the way of\n# the data; between names two ends "
                 "that both send.\n",
                 out);
    for (size_t i = 0; is_all && i < COUNT_OF(exchange_kinds); i++)
        print_kind(out, exchange_kinds[i]);
    (void) fputs(
        "sequence:\n"
        "  - ping: {from: boathouse, to: hilltop, count: 40}\n"
        "  # - timing: {from: boathouse, to: hilltop, count: 40}  # each way "
        "by itself\n"
        "  - download: {from: hilltop, to: boathouse, size: 300 kB}\n"
        "  - download: {from: boathouse, to: hilltop, size: 300 kB}\n"
        "  - messages: {between: [hilltop, boathouse], count: 40}\n"
        "  - together:                         # at once: is the link usable "
        "while somebody downloads?\n"
        "      - download: {from: hilltop, to: boathouse, for: 40 s}\n"
        "      - ping: {from: boathouse, to: hilltop, for: 40 s}\n\n",
        out);
}

static void print_practice(FILE *out)
{
    const struct printing printing = { out, true, no_examples };

    (void) fputs("\n# Only for rehearsals on the practice link.\n"
                 "# practice:\n",
                 out);
    print_fields(&printing, 2, practice_fields, COUNT_OF(practice_fields));
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

void starter_print(FILE *out, bool is_all)
{
    const struct printing of_link = { out, is_all, link_examples };

    (void) fputs(
        "# A starter plan for bothends.  Everything in it is invented: put\n"
        "# your own values in, then see what it would do with\n"
        "#\n"
        "#   bothends check FILE      (nothing is sent)\n"
        "#   bothends rehearse FILE   (over an emulated radio, on this "
        "computer)\n"
        "#   bothends run FILE\n"
        "#\n"
        "# Every value carries its unit.  10..14 ms is a range.  A key behind "
        "'#'\n",
        out);
    (void) fputs(is_all
                     ? "# may be left out; what stands there is its default, "
                       "if it has one.\n\n"
                     : "# may be left out.  'bothends draft --all' prints "
                       "every key that there is.\n\n",
                 out);
    print_plan_field(out, "plan", is_all, plan_examples);
    print_plan_field(out, "on_air", is_all, plan_examples);
    (void) fputs("\n# What the link is, as far as you know it.\nlink:\n", out);
    print_fields(&of_link, 2, link_fields, COUNT_OF(link_fields));
    print_steps(out, is_all);
    print_ends(out, is_all);
    print_sequence(out, is_all);
    print_plan_field(out, "rounds", is_all, run_examples);
    print_plan_field(out, "set_steps", is_all, run_examples);
    print_plan_field(out, "reference", is_all, run_examples);
    print_plan_field(out, "weather", is_all, run_examples);
    print_plan_field(out, "note", is_all, run_examples);
    print_plan_field(out, "public.locator", is_all, run_examples);
    if (is_all)
        print_practice(out);
}
