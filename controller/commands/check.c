/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/outcome.h"
#include "controller/commands/reference.h"
#include "controller/options.h"
#include "controller/plan/preview.h"
#include "controller/plan/reader.h"

#include <jansson.h>

struct check_options {
    bool json;
    char logbook[4096]; /* of the plan's reference run */
};

static const struct field check_fields[] = {
    OPTION_JSON(struct check_options, json),
    OPTION_LOGBOOK(struct check_options, logbook),
};

/* The logbook is looked into only if the plan names a reference run. */
static int find_reference(const struct check_options *check, struct plan *plan)
{
    struct logbook *logbook = NULL;
    struct fault fault = { 0 };

    if (!plan->reference_run)
        return STATUS_MET;
    if (logbook_open(check->logbook, LOGBOOK_READ, &logbook, &fault))
        return outcome_fault("check: reference", &fault);
    const int code = reference_find(logbook, plan, &fault);

    logbook_close(logbook);
    return code ? outcome_fault("check", &fault) : STATUS_MET;
}

static void print_preview(const struct plan *plan, bool is_json)
{
    struct preview preview;

    preview_make(plan, &preview);
    if (is_json)
        preview_print_json(stdout, &preview);
    else
        preview_print(stdout, &preview);
    preview_clear(&preview);
}

static void print_mistakes_json(const struct plan_mistakes *mistakes)
{
    json_t *list = json_array();

    for (size_t i = 0; i < mistakes->count; i++) {
        const struct plan_mistake *mistake = &mistakes->items[i];

        (void) json_array_append_new(
            list,
            json_pack("{s:i, s:i, s:s, s:s, s:s}", "line", mistake->line,
                      "column", mistake->column, "key", mistake->key, "found",
                      mistake->found, "expected", mistake->expected));
    }
    json_t *all = json_pack("{s:o}", "mistakes", list);
    (void) json_dumpf(all, stdout, JSON_INDENT(2));
    (void) puts("");
    json_decref(all);
}

static int refuse_plan(const char *path, const struct plan_mistakes *mistakes,
                       const struct fault *fault, bool is_json)
{
    if (fault->code != 0) {
        (void) fprintf(stderr, "bothends check: %s\n", fault->text);
        return STATUS_USAGE;
    }
    if (is_json)
        print_mistakes_json(mistakes);
    else {
        outcome_print_mistakes("check", path, mistakes);
        (void) fprintf(stderr, "bothends check: %zu mistake%s in '%s'\n",
                       mistakes->count, mistakes->count == 1 ? "" : "s", path);
    }
    return STATUS_USAGE;
}

static int check_run(const char *const *arguments, size_t argument_count,
                     const void *options)
{
    const struct check_options *check = options;
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    struct plan plan;
    char *text = NULL;
    int status = STATUS_MET;

    (void) argument_count;
    if (plan_read_file(arguments[0], &plan, &text, &mistakes, &fault) != 0) {
        status = refuse_plan(arguments[0], &mistakes, &fault, check->json);
    } else {
        status = find_reference(check, &plan);
        if (status == STATUS_MET)
            print_preview(&plan, check->json);
    }
    plan_mistakes_clear(&mistakes);
    plan_clear(&plan);
    free(text);
    return status;
}

const struct command check_command = {
    .name = "check",
    .arguments = "PLAN",
    .help = "read a plan, and show what it would do and what each step should "
            "carry; nothing is sent",
    .least_arguments = 1,
    .most_arguments = 1,
    .options = check_fields,
    .option_count = COUNT_OF(check_fields),
    .options_size = sizeof(struct check_options),
    .run = check_run,
};
