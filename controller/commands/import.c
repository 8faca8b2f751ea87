/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/commands/reference.h"
#include "controller/display.h"
#include "controller/imports.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

/* Takes an agent's spool that was carried on a memory stick:
 * bothends import /media/stick/spool */

struct import_options {
    char logbook[4096];
    char out[4096];
};

static const struct field import_options[] = {
    OPTION_LOGBOOK(struct import_options, logbook),
    OPTION_OUT(struct import_options, out, "",
               "; default: bothends-RUN in this folder"),
};

static void say(void *owner, const char *what, const char *text)
{
    char line[800];

    (void) owner;
    display_clean(text, 0, line, sizeof(line));
    (void) printf(" %-8s  %s\n", what, line);
}

static int report_run(struct logbook *logbook, int64_t number, const char *out)
{
    struct fault fault = { 0 };
    struct logbook_run run = { 0 };
    struct plan plan;
    int status = STATUS_OURS;

    if (logbook_find_run(logbook, number, &run, &fault))
        return outcome_fault("import", &fault);
    if (outcome_read_plan("import", &run, &plan) == 0) {
        reference_find_or_tell("import", logbook, &plan);
        status = outcome_report("import", logbook, &run, &plan, out);
        plan_clear(&plan);
    }
    logbook_run_clear(&run);
    return status;
}

/* The reports of all runs that something was taken for; several don't share a
 * folder. */
static int report_runs(struct logbook *logbook, const struct imports *imports,
                       const char *out)
{
    int status = STATUS_MET;

    for (size_t i = 0; i < imports->runs.count; i++) {
        const struct import_run *run = rows_at(&imports->runs, i);
        char folder[4200];

        (void) snprintf(folder, sizeof(folder), "%s", out);
        if (out[0] && imports->runs.count > 1)
            (void) snprintf(folder, sizeof(folder), "%s/bothends-%lld", out,
                            (long long) run->run);
        const int reported = report_run(logbook, run->run, folder);
        status = reported > status ? reported : status;
    }
    return status;
}

static void tell_counts(const struct imports *imports)
{
    (void) printf("%llu taken, %llu known already, %llu of no run of this "
                  "logbook, %llu damaged.\n",
                  (unsigned long long) imports->taken_count,
                  (unsigned long long) imports->known_count,
                  (unsigned long long) imports->foreign_count,
                  (unsigned long long) imports->damaged_count);
    if (imports->cut_count)
        (void) printf("%llu exchanges there never came to their end.\n",
                      (unsigned long long) imports->cut_count);
}

static int import_run(const char *const *arguments, size_t argument_count,
                      const void *options)
{
    const struct import_options *import = options;
    struct imports imports = { 0 };
    struct fault fault = { 0 };
    struct logbook *logbook;
    int status;

    (void) argument_count;
    if (logbook_open(import->logbook, LOGBOOK_READ, &logbook, &fault))
        return outcome_fault("import", &fault);
    if (imports_take(logbook, arguments[0], say, NULL, &imports, &fault)) {
        status = outcome_fault("import", &fault);
    } else if (imports.taken_count + imports.known_count + imports.foreign_count
                   + imports.damaged_count + imports.cut_count
               == 0) {
        (void) fprintf(stderr,
                       "bothends import: found no account in '%s', expected "
                       "the spool folder of an agent\n",
                       arguments[0]);
        status = STATUS_USAGE;
    } else {
        tell_counts(&imports);
        status = report_runs(logbook, &imports, import->out);
        if (imports.damaged_count && status < STATUS_USAGE)
            status = STATUS_USAGE;
    }
    imports_clear(&imports);
    logbook_close(logbook);
    return status;
}

const struct command import_command = {
    .name = "import",
    .arguments = "FOLDER",
    .help = "take an agent's results from a memory stick, where the link died "
            "before they crossed it, and write the report again",
    .least_arguments = 1,
    .most_arguments = 1,
    .options = import_options,
    .option_count = COUNT_OF(import_options),
    .options_size = sizeof(struct import_options),
    .run = import_run,
};
