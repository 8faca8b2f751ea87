/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/rehearsal/driver.h"

#include <string.h>

/*
 * What stands in a practice end's own configuration as the command that sets
 * its radio: it turns the knob of the emulated one.
 */
static int practice_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    char ends[PLAN_ENDS_MAX * NAME_SIZE];
    struct fault fault = { 0 };
    char *rest = NULL;

    (void) argument_count;
    (void) options;
    (void) snprintf(ends, sizeof(ends), "%s", arguments[1]);
    for (const char *end = strtok_r(ends, ",", &rest); end && !fault.code;
         end = strtok_r(NULL, ",", &rest))
        (void) driver_set_step(arguments[0], end, arguments[2], &fault);
    if (!fault.code)
        return STATUS_MET;
    (void) fprintf(stderr, "bothends practice: %s\n", fault.text);
    return STATUS_OURS;
}

const struct command practice_command = {
    .name = "practice",
    .arguments = "DIR END[,END] STEP",
    .help = "set radios of the rehearsal that runs in DIR to a step",
    .least_arguments = 3,
    .most_arguments = 3,
    .run = practice_run,
};
