/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/rehearsal/driver.h"

/*
 * What stands in a practice end's own configuration as the command that sets
 * its radio: it turns the knob of the emulated one.
 */
static int practice_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    struct fault fault = { 0 };

    (void) argument_count;
    (void) options;
    if (driver_set_step(arguments[0], arguments[1], arguments[2], &fault) == 0)
        return STATUS_MET;
    (void) fprintf(stderr, "bothends practice: %s\n", fault.text);
    return STATUS_OURS;
}

const struct command practice_command = {
    .name = "practice",
    .arguments = "DIR END STEP",
    .help = "set a radio of the rehearsal that runs in DIR to a step",
    .least_arguments = 3,
    .most_arguments = 3,
    .run = practice_run,
};
