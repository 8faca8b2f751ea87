/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/display.h"
#include "controller/options.h"
#include "controller/orders.h"
#include "controller/plan/reader.h"

#include <string.h>

/* What the logbook holds, a line a run. */

struct runs_options {
    char logbook[4096];
};

static const struct field runs_options[] = {
    OPTION_LOGBOOK(struct runs_options, logbook),
};

/* "6 of 8"; a plan that this version can't read has no "of". */
static void tell_groups(const struct logbook_run *run, char *ret_text,
                        size_t size)
{
    struct plan_mistakes mistakes = { 0 };
    struct plan plan;

    if (plan_read_text(run->plan_text, strlen(run->plan_text), &plan, &mistakes)
        == 0) {
        (void) snprintf(ret_text, size, "%llu of %llu",
                        (unsigned long long) run->group_count,
                        (unsigned long long) orders_position_count(&plan));
        plan_clear(&plan);
    } else {
        (void) snprintf(ret_text, size, "%llu",
                        (unsigned long long) run->group_count);
    }
    plan_mistakes_clear(&mistakes);
}

static void print_run(const struct logbook_run *run)
{
    char date[32], groups[48], title[512];

    outcome_date(run->started_unix_ns, date, sizeof(date));
    tell_groups(run, groups, sizeof(groups));
    display_clean(run->title, 0, title, sizeof(title));
    (void) printf("%5lld  %s  %-11s  %9s  %s%s\n", (long long) run->run, date,
                  run->state, groups, title,
                  run->practice ? " (practice)" : "");
}

static int runs_run(const char *const *arguments, size_t argument_count,
                    const void *options)
{
    const struct runs_options *runs_options_given = options;
    struct fault fault = { 0 };
    struct logbook *logbook;
    struct rows runs = { .row_size = sizeof(struct logbook_run) };
    int status = STATUS_MET;

    (void) arguments;
    (void) argument_count;
    if (logbook_open(runs_options_given->logbook, LOGBOOK_READ, &logbook,
                     &fault))
        return outcome_fault("runs", &fault);
    if (logbook_list_runs(logbook, &runs, &fault))
        status = outcome_fault("runs", &fault);
    else if (runs.count == 0)
        (void) printf("'%s' holds no run yet.\n", logbook_path(logbook));
    else
        (void) printf("  run  %-19s  %-11s  %9s  title\n", "started (UTC)",
                      "state", "groups");
    for (size_t i = 0; i < runs.count; i++) {
        print_run(rows_at(&runs, i));
        logbook_run_clear(rows_at(&runs, i));
    }
    rows_clear(&runs);
    logbook_close(logbook);
    return status;
}

const struct command runs_command = {
    .name = "runs",
    .arguments = "",
    .help = "list the runs in the logbook",
    .options = runs_options,
    .option_count = COUNT_OF(runs_options),
    .options_size = sizeof(struct runs_options),
    .run = runs_run,
};
