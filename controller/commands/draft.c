/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/command.h"
#include "controller/plan/starter.h"

/* A starter plan on standard output: bothends draft > club.yaml */
static int draft_run(const char *const *arguments, size_t argument_count,
                     const void *options)
{
    (void) arguments;
    (void) argument_count;
    (void) options;
    starter_print(stdout);
    return STATUS_MET;
}

const struct command draft_command = {
    .name = "draft",
    .arguments = "",
    .help = "print a commented starter plan; keep it with '> FILE.yaml'",
    .run = draft_run,
};
