/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/carry_out.h"
#include "controller/commands/picture.h"
#include "controller/options.h"
#include "controller/plan/reader.h"
#include "controller/rehearsal/namespaces.h"
#include "controller/rehearsal/ready_plans.h"
#include "controller/rehearsal/stage.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Shared by the rehearsals of one folder. */
#define LOGBOOK_NAME "logbook.db"

struct rehearse_options {
    char out[PATH_MAX];
    uint64_t seed;  /* 0: as in the plan */
    char ready[64]; /* "": the first, or the plan of a file */
    bool list, picture;
    struct carry_out_words words;
};

/* clang-format off */
static const struct field rehearse_fields[] = {
    { "NAME", "ready", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct rehearse_options, ready), 0, 0, "", NULL, "a ready plan instead of a file; without either, the first of them" },
    { "", "list", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct rehearse_options, list), 0, 0, "no", NULL, "show the ready plans, and what one learns from each" },
    { "", "picture", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct rehearse_options, picture), 0, 0, "no", NULL, "draw who transmitted when, and what waited, as 'bothends picture' does" },
    OPTION_OUT(struct rehearse_options, out, "rehearsal", ""),
    OPTION_SEED(struct rehearse_options, seed),
    OPTIONS_WORDS(struct rehearse_options, "as in the plan"),
};
/* clang-format on */

/* The flow, top to bottom. */
static int list_ready_plans(const char *chosen);
static int choose_plan(const char *path, const char *ready, struct plan *plan);
static int read_ready_plan(const struct ready_plan *ready, struct plan *plan);
static int rehearse_plan(struct plan *plan, const struct rehearse_options *wish,
                         struct fault *fault);
static int run_in_world(const struct stage *stage, const struct plan *plan,
                        const struct world *empty,
                        const struct rehearse_options *wish,
                        struct fault *fault);
static int draw_air(const struct stage *stage, const struct plan *plan,
                    int status);
static int judge_link(const struct stage *stage, const char *logbook,
                      const char *out, int status);
static int note_untrustworthy(const char *logbook_path, const char *out,
                              const struct ledger_verdict *verdict,
                              struct fault *fault);

static int rehearse_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    const struct rehearse_options *wish = options;
    struct fault fault = { 0 };
    struct plan plan = { .exchanges = NULL };

    if (wish->list)
        return list_ready_plans(argument_count ? arguments[0] : wish->ready);
    if (choose_plan(argument_count ? arguments[0] : NULL, wish->ready, &plan)
        != 0)
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

static int list_ready_plans(const char *chosen)
{
    if (chosen[0]) {
        (void) fprintf(stderr,
                       "bothends rehearse: found '%s' and --list, expected "
                       "one of them\n",
                       chosen);
        return STATUS_USAGE;
    }
    for (size_t i = 0; i < ready_plan_count; i++) {
        char lesson[READY_LESSON_SIZE];

        ready_plan_lesson(&ready_plans[i], lesson);
        (void) printf("%-16s", ready_plans[i].name);
        options_print_wrapped(stdout, 16, lesson);
    }
    return STATUS_MET;
}

static int refuse_ready_plan(const char *name)
{
    (void) fprintf(stderr,
                   "bothends rehearse: --ready: found '%.60s', "
                   "expected ",
                   name);
    for (size_t i = 0; i < ready_plan_count; i++)
        (void) fprintf(stderr, "%s%s", ready_plans[i].name,
                       i + 2 < ready_plan_count   ? ", "
                       : i + 1 < ready_plan_count ? " or "
                                                  : "\n");
    return -EINVAL;
}

/* Tells what is wrong with it. */
static int choose_plan(const char *path, const char *ready, struct plan *plan)
{
    if (path && ready[0]) {
        (void) fprintf(stderr,
                       "bothends rehearse: found '%s' and --ready %s, "
                       "expected one of them\n",
                       path, ready);
        return -EINVAL;
    }
    if (path)
        return outcome_read_plan_file("rehearse", path, "", plan);
    const struct ready_plan *found =
        ready[0] ? ready_plan_find(ready) : &ready_plans[0];

    return found ? read_ready_plan(found, plan) : refuse_ready_plan(ready);
}

static int read_ready_plan(const struct ready_plan *ready, struct plan *plan)
{
    struct plan_mistakes mistakes = { 0 };
    const int status =
        plan_read_text(ready->text, strlen(ready->text), plan, &mistakes);

    if (status)
        outcome_print_mistakes("rehearse", ready->name, &mistakes);
    plan_mistakes_clear(&mistakes);
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
    if (plan->reference_run)
        (void) printf("rehearsal: the plan's reference, run %" PRIu64 ", is of "
                      "another logbook and is left out;\n           'bothends "
                      "report --reference' names one of this rehearsal's\n",
                      plan->reference_run);
    /* What the practice link can't do is said before a file is made. */
    int status = air_config_from_plan(plan, &config, fault);

    if (!status)
        status = namespaces_check(fault);
    if (!status)
        status = derive_practice_plan(plan, wish->seed, &cast, fault);
    if (!status)
        status = stage_make(wish->out, plan, &cast, stage, fault);
    if (!status)
        status = stage_fill_world(stage, plan, &cast, &world, fault);
    if (!status)
        status = run_in_world(stage, plan, &world, wish, fault);
    free(stage);
    return status;
}

static void add_option(const char **words, size_t *count, const char *option,
                       const char *value)
{
    if (!value[0])
        return;
    words[(*count)++] = option;
    words[(*count)++] = value;
}

/* The ordinary command, on the practice computer at which the operator sits. */
static int run_in_world(const struct stage *stage, const struct plan *plan,
                        const struct world *empty,
                        const struct rehearse_options *wish,
                        struct fault *fault)
{
    char logbook[STAGE_PATH_SIZE], seed[24];
    const char *run[16] = {
        stage->controller, "run",   stage->plan, "--practice", "--logbook",
        logbook,           "--out", wish->out,   "--seed",     seed
    };
    size_t count = 10;
    struct world world = *empty;

    (void) snprintf(logbook, sizeof(logbook), "%s/" LOGBOOK_NAME, wish->out);
    (void) snprintf(seed, sizeof(seed), "%" PRIu64, plan->practice.seed);
    add_option(run, &count, "--weather", wish->words.weather);
    add_option(run, &count, "--note", wish->words.note);
    world.operator_program = run;
    (void) printf("rehearsal: no radio is used; what you see is a practice "
                  "link\n");
    int status = world_run(&world, fault);

    if (status < 0)
        return status;
    status = judge_link(stage, logbook, wish->out, status);
    return wish->picture ? draw_air(stage, plan, status) : status;
}

/* Returns the exit status. */
static int draw_air(const struct stage *stage, const struct plan *plan,
                    int status)
{
    const struct picture_wish picture = { .from_s = (double) NAN,
                                          .for_s = (double) NAN,
                                          .access = plan->link.access };
    struct fault fault = { 0 };

    if (picture_of_rehearsal(stage->folder, stage->folder, &picture, &fault)
        == 0)
        return status;
    (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
    return status == STATUS_MET ? STATUS_OURS : status;
}

/* Did the practice link do what it claims to do?  Returns the exit status. */
static int judge_link(const struct stage *stage, const char *logbook,
                      const char *out, int status)
{
    char ledger[STAGE_PATH_SIZE];
    const char *name = strrchr(stage->folder, '/');
    struct ledger_verdict verdict;
    struct fault fault = { 0 };

    (void) snprintf(ledger, sizeof(ledger), "%.*s/ledger", PATH_MAX,
                    stage->folder);
    if (ledger_read_verdict(ledger, &verdict, &fault) != 0) {
        (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
        return STATUS_OURS;
    }
    (void) printf("rehearsal: what really happened is in %s%s/ledger\n"
                  "           ('bothends picture %s%s' draws it)\n",
                  out, name, out, name);
    if (verdict.is_trustworthy) {
        (void) printf("rehearsal: the practice link kept time (99 %% of its "
                      "turns at most %.2f ms late,\n"
                      "           %.2f ms allowed)\n",
                      (double) verdict.lateness_p99_ns / 1e6,
                      (double) verdict.lateness_limit_ns / 1e6);
        return status;
    }
    if (note_untrustworthy(logbook, out, &verdict, &fault) != 0) {
        (void) fprintf(stderr, "bothends rehearse: %s\n", fault.text);
        return STATUS_OURS;
    }
    return status == STATUS_MET ? STATUS_NOT_MET : status;
}

static void describe_trouble(const struct ledger_verdict *verdict, char *text,
                             size_t size)
{
    if (verdict->own_loss_count)
        (void) snprintf(text, size,
                        "The practice link itself lost %" PRIu64
                        " packets: this computer is too slow or too busy for "
                        "it. The figures of this rehearsal mean nothing.",
                        verdict->own_loss_count);
    else
        (void) snprintf(text, size,
                        "The practice link did not keep time: 1 %% of its "
                        "turns were %.2f ms late or more, %.2f ms are allowed "
                        "(1 %% of a slot). This computer is too slow or too "
                        "busy for it. The figures of this rehearsal mean "
                        "nothing.",
                        (double) verdict->lateness_p99_ns / 1e6,
                        (double) verdict->lateness_limit_ns / 1e6);
}

/* It stands below what the run has told of its figures. */
static void tell_trouble(const char *text, bool has_report)
{
    (void) puts("");
    options_print_wrapped(stdout, 0, text);
    if (has_report)
        (void) puts("The report was written again: it says so, and gives no "
                    "verdict.");
}

/* The report was written before the link was judged: a note goes into the
 * logbook, and the report is written again. */
static int note_untrustworthy(const char *logbook_path, const char *out,
                              const struct ledger_verdict *verdict,
                              struct fault *fault)
{
    const struct outcome_wish wish = { .out = out, .is_silent = true };
    struct logbook_note note = { .at_unix_ns = carry_out_now_unix_ns(),
                                 .class = "practice" };
    struct logbook_run run = { 0 };
    struct logbook *logbook = NULL;
    struct plan plan;

    describe_trouble(verdict, note.text, sizeof(note.text));
    int status = logbook_open(logbook_path, LOGBOOK_WRITE, &logbook, fault);

    if (!status)
        status = logbook_find_run(logbook, 0, &run, fault);
    if (!status)
        status = logbook_store_note(logbook, run.run, &note, fault);
    if (!status && run.group_count
        && outcome_read_plan("rehearse", &run, &plan) == 0) {
        (void) outcome_report_as("rehearse", logbook, &run, &plan, &wish);
        plan_clear(&plan);
    }
    if (!status)
        tell_trouble(note.text, run.group_count > 0);
    logbook_run_clear(&run);
    logbook_close(logbook);
    return status;
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
