/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/outcome.h"
#include "controller/options.h"
#include "controller/plan/preview.h"
#include "controller/plan/reader.h"

#include <jansson.h>
#include <string.h>

struct check_options {
    bool json;
};

static const struct field check_fields[] = {
    OPTION_JSON(struct check_options, json),
};

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
    struct preview preview;
    struct plan plan;
    char *text = NULL;
    int status = STATUS_MET;

    (void) argument_count;
    if (plan_read_file(arguments[0], &plan, &text, &mistakes, &fault) != 0) {
        status = refuse_plan(arguments[0], &mistakes, &fault, check->json);
    } else {
        preview_make(&plan, &preview);
        if (check->json)
            preview_print_json(stdout, &preview);
        else
            preview_print(stdout, &preview);
        preview_clear(&preview);
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
