/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/carry_out.h"
#include "controller/commands/reference.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

/* Takes the last unfinished run up again, at its first missing group, by the
 * plan as it was stored then. */

struct resume_options {
    char logbook[4096];
    char out[4096];
    struct conductor_manner manner;
};

/* clang-format off */
static const struct field resume_options[] = {
    OPTION_LOGBOOK(struct resume_options, logbook),
    OPTION_OUT(struct resume_options, out, "", "; default: bothends-RUN in this folder"),
    OPTIONS_MANNER(struct resume_options),
};
/* clang-format on */

static int go_on(struct logbook *logbook, const struct logbook_run *run,
                 const struct plan *plan, const struct resume_options *options)
{
    struct fault fault = { 0 };
    const struct carry_out_wish wish = { .command = "resume",
                                         .plan = plan,
                                         .logbook = logbook,
                                         .run = run,
                                         .is_resumed = true,
                                         .manner = options->manner,
                                         .out = options->out };
    char date[32];

    if (logbook_reopen_run(logbook, run->run, &fault))
        return outcome_fault("resume", &fault);
    outcome_date(run->started_unix_ns, date, sizeof(date));
    (void) printf("Run %lld of %s UTC goes on: %s\n", (long long) run->run,
                  date, plan->title);
    return carry_out_run(&wish);
}

/* The practice computers are gone, and on a real network their addresses are
 * somebody else's. */
static int refuse_practice(const struct logbook *logbook,
                           const struct logbook_run *run)
{
    (void) fprintf(stderr,
                   "bothends resume: the last unfinished run in '%s' (run "
                   "%lld) was a rehearsal, and its practice link is gone: "
                   "expected a run over a real link; 'bothends rehearse' "
                   "starts a rehearsal anew\n",
                   logbook_path(logbook), (long long) run->run);
    return STATUS_USAGE;
}

static int resume_run(const char *const *arguments, size_t argument_count,
                      const void *options)
{
    const struct resume_options *resume = options;
    struct fault fault = { 0 };
    struct logbook *logbook;
    struct logbook_run run = { 0 };
    struct plan plan;
    int status = STATUS_OURS;

    (void) arguments;
    (void) argument_count;
    if (logbook_open(resume->logbook, LOGBOOK_READ, &logbook, &fault))
        return outcome_fault("resume", &fault);
    if (logbook_find_unfinished(logbook, &run, &fault)) {
        status = outcome_fault("resume", &fault);
    } else if (run.practice) {
        status = refuse_practice(logbook, &run);
    } else if (outcome_read_plan("resume", &run, &plan) == 0) {
        reference_find_or_tell("resume", logbook, &plan);
        status = go_on(logbook, &run, &plan, resume);
        plan_clear(&plan);
    }
    logbook_run_clear(&run);
    logbook_close(logbook);
    return status;
}

const struct command resume_command = {
    .name = "resume",
    .arguments = "",
    .help = "take the last unfinished run up again where it stopped",
    .options = resume_options,
    .option_count = COUNT_OF(resume_options),
    .options_size = sizeof(struct resume_options),
    .run = resume_run,
};
