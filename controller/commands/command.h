/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_COMMAND_H
#define CONTROLLER_COMMAND_H

#include <bothends/fields.h>

/*
 * A command of bothends: one file in controller/commands, one row in
 * controller/main.c.  Its options are a field list: the key is the long
 * option's word (a FLAG takes no value), read and explained by the same code
 * as a plan's keys; --help is made from it.
 */
struct command {
    const char *name;
    const char *arguments; /* as the help shows them: "PLAN" */
    const char *help;      /* one line */
    size_t least_arguments, most_arguments;
    const struct field *options;
    size_t option_count, options_size;
    /* Returns the exit status. */
    int (*run)(const char *const *arguments, size_t argument_count,
               const void *options);
};

enum exit_status {
    STATUS_MET = 0,           /* all met */
    STATUS_NOT_MET = 1,       /* something short or undecided */
    STATUS_USAGE = 2,         /* wrong usage or plan */
    STATUS_UNREACHED = 3,     /* an end was not reached */
    STATUS_OURS = 4,          /* a failure of our own: disk, memory ... */
    STATUS_INTERRUPTED = 130, /* by the operator; the measured part is kept */
};

extern const struct command check_command, draft_command, export_command,
    gain_command, import_command, picture_command, practice_command,
    rehearse_command, report_command, resume_command, run_command, runs_command;

#endif
