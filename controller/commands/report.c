/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/carry_out.h"
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/commands/reference.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

/* Works the report of a stored run out again: bothends report 12 */

struct report_options {
    char logbook[4096];
    char out[4096];
    bool html, public;
    uint64_t reference_run; /* 0: as the plan says */
    struct carry_out_words words;
};

/* clang-format off */
static const struct field report_options[] = {
    OPTION_LOGBOOK(struct report_options, logbook),
    OPTION_OUT(struct report_options, out, "", "; default: bothends-RUN in this folder"),
    { "html", "html", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct report_options, html), 0, 0, "no", NULL, "also write report.html: one file with the charts in it, for handing around" },
    { "RUN", "reference", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct report_options, reference_run), 1, 9007199254740992.0, "", NULL, "hold it against what that run, through attenuators, measured of the same steps; default: the reference that the plan names" },
    { "public", "public", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct report_options, public), 0, 0, "no", NULL, "leave addresses out, and tell positions only as precisely as the plan's public.locator allows" },
    OPTIONS_WORDS(struct report_options, "as it was"),
};
/* clang-format on */

static int report_stored(struct logbook *logbook, int64_t number,
                         const struct report_options *options)
{
    struct fault fault = { 0 };
    struct logbook_run run = { 0 };
    struct plan plan;
    int status = STATUS_OURS;

    if (logbook_find_run(logbook, number, &run, &fault))
        return outcome_fault("report", &fault);
    if (carry_out_keep_words(logbook, run.run, &options->words, &fault)) {
        status = outcome_fault("report", &fault);
    } else if (outcome_read_plan("report", &run, &plan) == 0) {
        if (options->reference_run)
            plan.reference_run = options->reference_run;
        reference_find_or_tell("report", logbook, &plan);
        const struct outcome_wish wish = { .out = options->out,
                                           .html = options->html,
                                           .is_public = options->public };

        status = outcome_report_as("report", logbook, &run, &plan, &wish);
        plan_clear(&plan);
    }
    logbook_run_clear(&run);
    return status;
}

/* For writing only if there is something to keep, and none is made. */
static int open_logbook(const struct report_options *options,
                        struct logbook **ret_logbook, struct fault *fault)
{
    const bool has_words = options->words.weather[0] || options->words.note[0];
    int code = logbook_open(options->logbook, LOGBOOK_READ, ret_logbook, fault);

    if (code || !has_words)
        return code;
    logbook_close(*ret_logbook);
    return logbook_open(options->logbook, LOGBOOK_WRITE, ret_logbook, fault);
}

static int report_run(const char *const *arguments, size_t argument_count,
                      const void *options)
{
    const struct report_options *report = options;
    struct fault fault = { 0 };
    struct logbook *logbook;
    int64_t number = 0;

    if (argument_count && outcome_read_number("report", arguments[0], &number))
        return STATUS_USAGE;
    if (open_logbook(report, &logbook, &fault))
        return outcome_fault("report", &fault);
    const int status = report_stored(logbook, number, report);
    logbook_close(logbook);
    return status;
}

const struct command report_command = {
    .name = "report",
    .arguments = "[RUN]",
    .help = "write the report of a run again; without a number, of the last",
    .least_arguments = 0,
    .most_arguments = 1,
    .options = report_options,
    .option_count = COUNT_OF(report_options),
    .options_size = sizeof(struct report_options),
    .run = report_run,
};
