/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Prints every field list as markdown, for DEVELOPERS.md: the keys of a plan,
 * what each kind of exchange records, the account, and the findings.
 */
#include "controller/quantity.h"
#include "controller/text.h"

#include <bothends/findings.h>
#include <bothends/plan.h>
#include <stdio.h>
#include <string.h>

static const char *shape_word(const struct field *field)
{
    switch (field->shape) {
    case FIELD_WHOLE:
        return "whole number";
    case FIELD_SIGNED:
        return "whole number, signed";
    case FIELD_REAL:
        return "number";
    case FIELD_RANGE:
        return "value or range";
    case FIELD_SPREAD:
        return "value, about, random, range";
    case FIELD_CHOICE:
        return "choice";
    case FIELD_FLAG:
        return "yes or no";
    case FIELD_TEXT:
        return "text";
    }
    return "";
}

/* "|" would end a cell. */
static void print_cell(const char *text)
{
    (void) fputs(" ", stdout);
    for (const char *at = text; *at; at++) {
        if (*at == '|')
            (void) fputc('\\', stdout);
        (void) fputc(*at, stdout);
    }
    (void) fputs(" |", stdout);
}

static void print_values(const struct field *field)
{
    char limits[96], choices[256] = "", values[400];

    quantity_limits(field, limits, sizeof(limits));
    if (field->shape == FIELD_CHOICE) {
        const bool may_be_empty = !field->choices[0][0];

        text_join(field->choices + may_be_empty, choices, sizeof(choices));
        (void) snprintf(values, sizeof(values), "%s%s", choices,
                        may_be_empty ? "; or empty" : "");
    } else {
        (void) snprintf(values, sizeof(values), "%s%s%s", shape_word(field),
                        limits[0] ? ", " : "", limits);
    }
    print_cell(values);
}

/* The keys that a plan may hold under one heading. */
static void print_keys(const char *heading, const struct field *fields,
                       size_t field_count)
{
    (void) printf("\n**%s**\n\n| key | value | preset | |\n|---|---|---|---|\n",
                  heading);
    for (size_t i = 0; i < field_count; i++) {
        const struct field *field = &fields[i];

        if (!field->key)
            continue;
        (void) printf("| `%s` |", field->key);
        print_values(field);
        print_cell(!field->preset     ? "must be given"
                   : field->preset[0] ? field->preset
                                      : "not said");
        print_cell(field->help);
        (void) puts("");
    }
}

/* Names as they stand in JSON, in the logbook and in CSV. */
static void print_names(const char *heading, const char *help,
                        const struct field *fields, size_t field_count)
{
    (void) printf("\n**%s**%s%s\n\n| name | value | |\n|---|---|---|\n",
                  heading, help[0] ? ": " : "", help);
    for (size_t i = 0; i < field_count; i++) {
        (void) printf("| `%s` |", fields[i].name);
        print_values(&fields[i]);
        print_cell(fields[i].help);
        (void) puts("");
    }
}

static void print_kind(const struct kind *kind)
{
    char heading[96];

    (void) printf("\n### Exchange: %s\n\n%s. %s is the %s, %s the %s%s.\n",
                  kind->name, kind->help,
                  kind->uses_between ? "The first of `between`" : "`from`",
                  kind->from_part, kind->uses_between ? "the other" : "`to`",
                  kind->to_part,
                  kind->to_may_be_host ? " or a host without an agent" : "");
    print_keys(kind->uses_between ? "in a plan (beside `between`)"
                                  : "in a plan (beside `from` and `to`)",
               kind->spec_fields, kind->spec_field_count);
    (void) snprintf(heading, sizeof(heading), "outcome (table `%s_outcome`)",
                    kind->name);
    print_names(heading, "one row an end", kind->outcome_fields,
                kind->outcome_field_count);
    for (size_t i = 0; i < kind->series_count; i++) {
        const struct series *series = &kind->series[i];

        (void) snprintf(heading, sizeof(heading), "%s (table `%s_%s`)",
                        series->name, kind->name, series->name);
        print_names(heading, series->help, series->fields, series->field_count);
    }
}

int main(void)
{
    (void) puts("\nMade from the field lists by "
                "`tests/support/fields-in-developers --write`; not to be "
                "edited by hand.\n\n### Plan");
    print_keys("at the top", plan_fields, COUNT_OF(plan_fields));
    print_keys("link", link_fields, COUNT_OF(link_fields));
    print_keys("steps (a list)", step_fields, COUNT_OF(step_fields));
    print_keys("ends (by name)", end_fields, COUNT_OF(end_fields));
    print_keys("practice", practice_fields, COUNT_OF(practice_fields));
    print_keys("practice: ends (by name)", practice_end_fields,
               COUNT_OF(practice_end_fields));
    print_keys("practice: events (a list)", plan_event_fields,
               COUNT_OF(plan_event_fields));
    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++)
        print_kind(exchange_kinds[i]);
    (void) puts("\n### Order and account");
    print_names("order",
                "what an end is told beforehand, with the kind's `spec`",
                order_fields, COUNT_OF(order_fields));
    print_names("account",
                "what an end says afterwards, with the kind's outcome and "
                "series",
                account_fields, COUNT_OF(account_fields));
    print_names("readings (table `readings`)", readings_series.help,
                readings_series.fields, readings_series.field_count);
    (void) puts("\n### Findings");
    print_names("finding", "an object of results.json and a row of results.csv",
                finding_fields, COUNT_OF(finding_fields));
    (void) puts("");
    return 0;
}
