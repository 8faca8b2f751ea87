/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/carry_out.h"
#include "controller/commands/reference.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

#include <string.h>
#include <uv.h>

/* bothends run club.yaml */

struct run_options {
    char logbook[4096];
    char out[4096];
    uint64_t seed;
    bool practice;
    struct conductor_manner manner;
    struct carry_out_words words;
};

/* clang-format off */
static const struct field run_options[] = {
    OPTION_LOGBOOK(struct run_options, logbook),
    OPTION_OUT(struct run_options, out, "", "; default: bothends-RUN in this folder"),
    { "NUMBER", "seed", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct run_options, seed), 1, 9007199254740992.0, "", NULL, "seed of everything that is drawn; default: a new one" },
    OPTIONS_MANNER(struct run_options),
    OPTIONS_WORDS(struct run_options, "as in the plan"),
    { "", "practice", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct run_options, practice), 0, 0, "no", NULL, "mark the run as one over the practice link (as 'bothends rehearse' does)" },
};
/* clang-format on */

static int make_seed(uint64_t *ret_seed, struct fault *fault)
{
    const int code =
        uv_random(NULL, NULL, ret_seed, sizeof(*ret_seed), 0, NULL);

    if (code)
        return fault_set(fault, code, "no random numbers: %s",
                         uv_strerror(code));
    *ret_seed = *ret_seed >> 32 | 1; /* short enough to be typed again */
    return 0;
}

/* run comes with the plan's text; the caller clears it. */
static int begin(const char *path, struct logbook_run *run, struct plan *plan,
                 const struct run_options *options)
{
    struct fault fault = { 0 };
    struct logbook *logbook = NULL;
    int status;

    run->title = strdup(plan->title);
    run->plan_path = realpath(path, NULL);
    if (!run->plan_path)
        run->plan_path = strdup(path);
    run->practice = options->practice;
    run->started_unix_ns = carry_out_now_unix_ns();
    run->seed = options->seed;
    if (logbook_open(options->logbook, LOGBOOK_WRITE, &logbook, &fault)
        || reference_find(logbook, plan, &fault)
        || (!run->seed && make_seed(&run->seed, &fault))
        || logbook_begin_run(logbook, run, &fault)
        || carry_out_keep_words(logbook, run->run, &options->words, &fault)) {
        status = outcome_fault("run", &fault);
    } else {
        const struct carry_out_wish wish = { .command = "run",
                                             .plan = plan,
                                             .logbook = logbook,
                                             .run = run,
                                             .manner = options->manner,
                                             .out = options->out };
        status = carry_out_run(&wish);
    }
    logbook_close(logbook);
    return status;
}

static int run_run(const char *const *arguments, size_t argument_count,
                   const void *options)
{
    struct plan plan;
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    struct logbook_run run = { 0 };
    int status = STATUS_USAGE;

    (void) argument_count;
    if (plan_read_file(arguments[0], &plan, &run.plan_text, &mistakes, &fault)
        == 0) {
        status = begin(arguments[0], &run, &plan, options);
        plan_clear(&plan);
    } else if (fault.code) {
        (void) fprintf(stderr, "bothends run: %s\n", fault.text);
    } else {
        outcome_print_mistakes("run", arguments[0], &mistakes);
    }
    plan_mistakes_clear(&mistakes);
    logbook_run_clear(&run);
    return status;
}

const struct command run_command = {
    .name = "run",
    .arguments = "PLAN",
    .help = "carry a plan out: measure from both ends, keep it in the logbook, "
            "write the report",
    .least_arguments = 1,
    .most_arguments = 1,
    .options = run_options,
    .option_count = COUNT_OF(run_options),
    .options_size = sizeof(struct run_options),
    .run = run_run,
};
