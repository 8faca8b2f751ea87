/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/options.h"
#include "controller/plan/reader.h"
#include "controller/rehearsal/default_plan.h"
#include "controller/rehearsal/stage.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

struct rehearse_options {
    char out[PATH_MAX];
    uint64_t seed; /* 0: as in the plan */
};

static const struct field rehearse_fields[] = {
    OPTION_OUT(struct rehearse_options, out, "rehearsal"),
    OPTION_SEED(struct rehearse_options, seed),
};

/* The flow, top to bottom. */
static int read_plan(const char *path, struct plan *plan);
static int rehearse_plan(struct plan *plan, const struct rehearse_options *wish,
                         struct fault *fault);
static int run_in_world(const struct stage *stage, const struct world *empty,
                        const struct rehearse_options *wish,
                        struct fault *fault);
static void tell_how_it_went(const struct stage *stage);

static int rehearse_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    const struct rehearse_options *wish = options;
    struct fault fault = { 0 };
    struct plan plan;

    if (read_plan(argument_count ? arguments[0] : NULL, &plan) != 0)
        return STATUS_USAGE;
    const int status = rehearse_plan(&plan, wish, &fault);

    plan_clear(&plan);
    if (status < 0)
        (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
    if (status > 128)
        return STATUS_INTERRUPTED; /* by a signal, if not by Ctrl-C */
    if (status == -EINVAL || status == -ENOTSUP || status == -E2BIG)
        return STATUS_USAGE; /* the plan is at fault */
    return status < 0 ? STATUS_OURS : status;
}

/* Tells what is wrong with it. */
static int read_plan(const char *path, struct plan *plan)
{
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    char *text = NULL;
    const int status =
        path ? plan_read_file(path, plan, &text, &mistakes, &fault)
             : plan_read_text(default_plan_text, strlen(default_plan_text),
                              plan, &mistakes);

    if (fault.code)
        (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
    else if (status)
        plan_mistakes_print(stderr, path ? path : DEFAULT_PLAN_NAME, &mistakes);
    plan_mistakes_clear(&mistakes);
    free(text);
    return status;
}

static int rehearse_plan(struct plan *plan, const struct rehearse_options *wish,
                         struct fault *fault)
{
    struct air_config config;
    struct world world;
    struct cast cast;
    struct stage *stage = calloc(1, sizeof(*stage));

    if (!stage)
        return fault_set(fault, -ENOMEM, "out of memory");
    /* What the practice link can't do is said before a file is made. */
    int status = air_config_from_plan(plan, &config, fault);

    if (!status)
        status = derive_practice_plan(plan, wish->seed, &cast, fault);
    if (!status)
        status = stage_make(wish->out, plan, &cast, stage, fault);
    if (!status)
        status = stage_fill_world(stage, plan, &cast, &world, fault);
    if (!status)
        status = run_in_world(stage, &world, wish, fault);
    free(stage);
    return status;
}

/* The ordinary command, on the practice computer at which the operator sits. */
static int run_in_world(const struct stage *stage, const struct world *empty,
                        const struct rehearse_options *wish,
                        struct fault *fault)
{
    char logbook[STAGE_PATH_SIZE];
    const char *const run[] = { stage->controller, "run",       stage->plan,
                                "--practice",      "--logbook", logbook,
                                "--out",           wish->out,   NULL };

    (void) snprintf(logbook, sizeof(logbook), "%s/logbook.db", wish->out);
    struct world world = *empty;

    world.operator_program = run;
    (void) printf("rehearsal: no radio is used; what you see is a practice "
                  "link\n");
    const int status = world_run(&world, fault);

    if (status >= 0)
        tell_how_it_went(stage);
    return status;
}

static void tell_how_it_went(const struct stage *stage)
{
    char ledger[STAGE_PATH_SIZE];
    struct ledger_verdict verdict;
    struct fault fault = { 0 };

    (void) snprintf(ledger, sizeof(ledger), "%s/ledger", stage->folder);
    if (ledger_read_verdict(ledger, &verdict, &fault) != 0) {
        (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
        return;
    }
    (void) printf("rehearsal: what really happened is in %s\n", ledger);
    (void) printf("rehearsal: the practice link %s (99 %% of its edges at most "
                  "%.2f ms late, %.2f ms allowed)\n",
                  verdict.is_trustworthy ? "kept time" : "did NOT keep time",
                  (double) verdict.lateness_p99_ns / 1e6,
                  (double) verdict.lateness_limit_ns / 1e6);
}

const struct command rehearse_command = {
    .name = "rehearse",
    .arguments = "[PLAN]",
    .help = "run a plan over an emulated radio channel on this computer alone",
    .least_arguments = 0,
    .most_arguments = 1,
    .options = rehearse_fields,
    .option_count = COUNT_OF(rehearse_fields),
    .options_size = sizeof(struct rehearse_options),
    .run = rehearse_run,
};
