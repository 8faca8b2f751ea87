/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/rehearsal/driver.h"

#include <string.h>

/*
 * What stands in a practice end's own configuration as the commands that set
 * and read its radio: it turns the knob of the emulated one, or looks at it.
 */
static void set_steps(const char *folder, const char *names, const char *step,
                      struct fault *fault)
{
    char ends[PLAN_ENDS_MAX * NAME_SIZE];
    char *rest = NULL;

    (void) snprintf(ends, sizeof(ends), "%s", names);
    for (const char *end = strtok_r(ends, ",", &rest); end && !fault->code;
         end = strtok_r(NULL, ",", &rest))
        (void) driver_set_step(folder, end, step, fault);
}

static void read_radio(const char *folder, const char *end, struct fault *fault)
{
    char text[DRIVER_READINGS_SIZE];

    if (driver_read(folder, end, text, fault) == 0)
        (void) fputs(text, stdout);
}

static int practice_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    struct fault fault = { 0 };

    (void) options;
    if (argument_count == 3)
        set_steps(arguments[0], arguments[1], arguments[2], &fault);
    else
        read_radio(arguments[0], arguments[1], &fault);
    if (!fault.code)
        return STATUS_MET;
    (void) fprintf(stderr, "bothends practice: %s\n", fault.text);
    return STATUS_OURS;
}

const struct command practice_command = {
    .name = "practice",
    .arguments = "DIR END[,END] [STEP]",
    .help = "set radios of the rehearsal that runs in DIR to a step; without "
            "one: read a radio",
    .least_arguments = 2,
    .most_arguments = 3,
    .run = practice_run,
};
