/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/options.h"

#include <reports/export.h>

/* The raw samples of a stored run as CSV: bothends export 12 --out samples */

struct export_options {
    char logbook[4096];
    char out[4096];
};

/* clang-format off */
static const struct field export_options[] = {
    OPTION_LOGBOOK(struct export_options, logbook),
    OPTION_OUT(struct export_options, out, "", "; default: bothends-RUN-samples in this folder"),
};
/* clang-format on */

static int export_stored(struct logbook *logbook, int64_t number,
                         const struct export_options *options)
{
    struct logbook_run run = { 0 };
    struct export_summary summary = { 0 };
    struct fault fault = { 0 };
    char folder[4096];

    if (logbook_find_run(logbook, number, &run, &fault))
        return outcome_fault("export", &fault);
    if (options->out[0])
        (void) snprintf(folder, sizeof(folder), "%s", options->out);
    else
        (void) snprintf(folder, sizeof(folder), "bothends-%lld-samples",
                        (long long) run.run);
    const int code = export_write(logbook_database(logbook), run.run, folder,
                                  &summary, &fault);

    const int64_t number_found = run.run;

    logbook_run_clear(&run);
    if (code)
        return outcome_fault("export", &fault);
    if (!summary.sample_count) {
        (void) printf("Run %lld has no samples; what was noted is in %s.\n",
                      (long long) number_found, folder);
        return STATUS_NOT_MET;
    }
    (void) printf("%llu samples are in %zu files in %s;\naccounts.csv and "
                  "exchanges.csv say whose they are.\n",
                  (unsigned long long) summary.sample_count, summary.file_count,
                  folder);
    return STATUS_MET;
}

static int export_run(const char *const *arguments, size_t argument_count,
                      const void *options)
{
    const struct export_options *export_options_given = options;
    struct fault fault = { 0 };
    struct logbook *logbook;
    int64_t number = 0;

    if (argument_count && outcome_read_number("export", arguments[0], &number))
        return STATUS_USAGE;
    if (logbook_open(export_options_given->logbook, LOGBOOK_READ, &logbook,
                     &fault))
        return outcome_fault("export", &fault);
    const int status = export_stored(logbook, number, export_options_given);

    logbook_close(logbook);
    return status;
}

const struct command export_command = {
    .name = "export",
    .arguments = "[RUN]",
    .help = "write the raw samples of a run as CSV; without a number, of the "
            "last",
    .least_arguments = 0,
    .most_arguments = 1,
    .options = export_options,
    .option_count = COUNT_OF(export_options),
    .options_size = sizeof(struct export_options),
    .run = export_run,
};
