/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/commands/reference.h"
#include "controller/options.h"

#include <reports/gain.h>

/* What a change bought: of a step against the one below it, inside a run, or of
 * one run against an earlier one. */

struct gain_options {
    char logbook[4096];
    double margin_ratio; /* NaN: not said */
    bool wants_json;
};

/* clang-format off */
static const struct field gain_options[] = {
    OPTION_LOGBOOK(struct gain_options, logbook),
    { "SHARE", "margin", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct gain_options, margin_ratio), 1e-4, 1, "", NULL, "a change by less than this is none; default: as the plan's link.no_change has it" },
    OPTION_JSON(struct gain_options, wants_json),
};
/* clang-format on */

/* All decided: 0.  Something open, or a step that does not pay: 1. */
static int status_of(const struct gain_table *table)
{
    int status = table->gains.count ? STATUS_MET : STATUS_NOT_MET;

    for (size_t i = 0; i < table->gains.count; i++) {
        switch (((const struct gain *) rows_at(&table->gains, i))->verdict) {
        case GAIN_PAYS:
        case GAIN_MORE:
        case GAIN_SAME:
            break;
        case GAIN_NO_FIGURE:
        case GAIN_NOT_CLAIMED:
        case GAIN_PAYS_LESS:
        case GAIN_DOES_NOT_PAY:
        case GAIN_LESS:
        case GAIN_UNDECIDED:
            status = STATUS_NOT_MET;
        }
    }
    return status;
}

static int print_table(const struct gain_table *table,
                       const struct gain_options *options)
{
    struct fault fault = { 0 };

    if (!options->wants_json)
        gain_write_text(table, stdout);
    else if (gain_write_json(table, stdout, &fault))
        return outcome_fault("gain", &fault);
    return status_of(table);
}

/* One side: the run, and the plan that it was made with. */
struct side {
    struct logbook_run run;
    struct plan plan;
    bool has_plan;
};

static int read_side(struct logbook *logbook, int64_t number, struct side *side)
{
    struct fault fault = { 0 };

    if (logbook_find_run(logbook, number, &side->run, &fault))
        return outcome_fault("gain", &fault);
    side->has_plan = outcome_read_plan("gain", &side->run, &side->plan) == 0;
    if (side->has_plan)
        reference_find_or_tell("gain", logbook, &side->plan);
    return side->has_plan ? STATUS_MET : STATUS_OURS;
}

static void clear_side(struct side *side)
{
    if (side->has_plan)
        plan_clear(&side->plan);
    logbook_run_clear(&side->run);
}

static int compare(struct logbook *logbook, const int64_t numbers[2],
                   const struct gain_options *options)
{
    struct side before = { .has_plan = false };
    struct side after = { .has_plan = false };
    struct gain_table table = { .gains.row_size = sizeof(struct gain) };
    struct fault fault = { 0 };
    int status = read_side(logbook, numbers[0], &before);

    if (!status)
        status = read_side(logbook, numbers[1], &after);
    if (!status) {
        status = gain_compare(logbook_database(logbook), before.run.run,
                              &before.plan, after.run.run, &after.plan,
                              options->margin_ratio, &table, &fault)
                     ? outcome_fault("gain", &fault)
                     : print_table(&table, options);
    }
    gain_table_clear(&table);
    clear_side(&before);
    clear_side(&after);
    return status;
}

static int gain_run(const char *const *arguments, size_t argument_count,
                    const void *options)
{
    const struct gain_options *gain = options;
    struct fault fault = { 0 };
    struct logbook *logbook;
    int64_t numbers[2] = { 0, 0 };

    for (size_t i = 0; i < argument_count; i++) {
        if (outcome_read_number("gain", arguments[i], &numbers[i]))
            return STATUS_USAGE;
    }
    if (argument_count == 2 && numbers[0] == numbers[1]) {
        (void) fprintf(stderr,
                       "bothends gain: found run %lld twice, expected "
                       "the run before and the run after; with one "
                       "number its steps are compared\n",
                       (long long) numbers[0]);
        return STATUS_USAGE;
    }
    if (argument_count < 2)
        numbers[1] = numbers[0];
    if (logbook_open(gain->logbook, LOGBOOK_READ, &logbook, &fault))
        return outcome_fault("gain", &fault);
    const int status = compare(logbook, numbers, gain);

    logbook_close(logbook);
    return status;
}

const struct command gain_command = {
    .name = "gain",
    .arguments = "[RUN [RUN]]",
    .help = "what a change bought: step against step in a run, or a run "
            "against the one before the change",
    .least_arguments = 0,
    .most_arguments = 2,
    .options = gain_options,
    .option_count = COUNT_OF(gain_options),
    .options_size = sizeof(struct gain_options),
    .run = gain_run,
};
