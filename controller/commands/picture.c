/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/picture.h"
#include "controller/commands/command.h"
#include "controller/commands/outcome.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

#include <reports/folder.h>
#include <reports/picture.h>

#include <errno.h>

/* The air of a rehearsal as a picture: bothends picture rehearsal/practice-1 */

struct picture_options {
    char out[4096];
    double from_ns, for_ns; /* NaN: not said */
};

/* clang-format off */
static const struct field picture_fields[] = {
    { "TIME", "from", FIELD_REAL, UNIT_DURATION, FIELD_AT(struct picture_options, from_ns), 0, 86400e9, "", NULL, "where it begins, counted from the start of the practice link; default: at a busy part" },
    { "TIME", "for", FIELD_REAL, UNIT_DURATION, FIELD_AT(struct picture_options, for_ns), 1e6, 3600e9, "", NULL, "how much is drawn; default: a few rounds of turns" },
    OPTION_OUT(struct picture_options, out, "", "; default: DIR"),
};
/* clang-format on */

/* How its channel was shared: the plan in the rehearsal's folder says it. */
static int read_access(const char *folder, int *ret_access)
{
    char path[4200];
    struct plan plan;

    (void) snprintf(path, sizeof(path), "%.4096s/plan.yaml", folder);
    const int status = outcome_read_plan_file(
        "picture", path,
        "expected the folder of a rehearsal, such as rehearsal/practice-1",
        &plan);

    if (status)
        return status;
    *ret_access = plan.link.access;
    plan_clear(&plan);
    return 0;
}

int picture_of_rehearsal(const char *folder, const char *out,
                         const struct picture_wish *wish, struct fault *fault)
{
    char ledger[4200], path[4200];

    if (snprintf(ledger, sizeof(ledger), "%s/ledger", folder)
            >= (int) sizeof(ledger)
        || snprintf(path, sizeof(path), "%s/picture", out)
               >= (int) sizeof(path))
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                         folder);
    int status = folder_make(out, fault);

    if (!status)
        status = picture_write(ledger, wish, path, fault);
    if (!status)
        (void) printf("The air is drawn in %s.svg and %s.png.\n", path, path);
    return status;
}

static int picture_run(const char *const *arguments, size_t argument_count,
                       const void *options)
{
    const struct picture_options *given = options;
    const char *folder = arguments[0];
    struct picture_wish wish = { .from_s = given->from_ns / 1e9,
                                 .for_s = given->for_ns / 1e9 };
    struct fault fault = { 0 };

    (void) argument_count;
    if (read_access(folder, &wish.access) != 0)
        return STATUS_USAGE;
    if (picture_of_rehearsal(folder, given->out[0] ? given->out : folder, &wish,
                             &fault)
        == 0)
        return STATUS_MET;
    return outcome_fault("picture", &fault);
}

const struct command picture_command = {
    .name = "picture",
    .arguments = "DIR",
    .help =
        "draw who transmitted when, and what waited, in the rehearsal whose "
        "folder is DIR",
    .least_arguments = 1,
    .most_arguments = 1,
    .options = picture_fields,
    .option_count = COUNT_OF(picture_fields),
    .options_size = sizeof(struct picture_options),
    .run = picture_run,
};
