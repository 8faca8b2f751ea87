/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_OPTIONS_H
#define CONTROLLER_OPTIONS_H

#include "controller/commands/command.h"

#include <bothends/fault.h>
#include <stdio.h>

/*
 * The command line, read by field lists.  Options are long: --out DIR or
 * --out=DIR; a FLAG takes no value; "--" ends them; they may stand between the
 * arguments.  In an options list a field's name is what the help calls its
 * value (DIR), its key the option's word (out).
 */

/* The options that several commands have: one word, one help text. */
/* clang-format off */
#define OPTION_OUT(type, member, preset, otherwise) \
    { "DIR", "out", FIELD_TEXT, UNIT_NONE, FIELD_AT(type, member), 0, 0, preset, NULL, "folder that the files are written to" otherwise }
#define OPTION_LOGBOOK(type, member) \
    { "FILE", "logbook", FIELD_TEXT, UNIT_NONE, FIELD_AT(type, member), 0, 0, "", NULL, "logbook that keeps the runs; default: the one in your data folder" }
#define OPTION_SEED(type, member) \
    { "NUMBER", "seed", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(type, member), 1, 9007199254740992.0, "", NULL, "seed of everything that is drawn; default: as in the plan" }
#define OPTION_JSON(type, member) \
    { "", "json", FIELD_FLAG, UNIT_NONE, FIELD_AT(type, member), 0, 0, "no", NULL, "print JSON, for programs" }
/* clang-format on */

#define OPTIONS_HELP 1 /* --help was among them: nothing else was checked */

/*
 * Read what stands behind the command's name.  options is the command's
 * record (options_size bytes), filled with presets first; arguments gets the
 * rest (room for argument_count, borrowed from the command line).
 * 0, OPTIONS_HELP, or UV_EINVAL with the fault.
 */
int options_read(const struct command *command, const char *const *words,
                 size_t word_count, void *options, const char **ret_arguments,
                 size_t *ret_argument_count, struct fault *fault);

/* The help of one command, made from its rows. */
void options_print_help(FILE *out, const struct command *command);

/* Print indented text, broken at blanks before column 79. */
void options_print_wrapped(FILE *out, int indent, const char *text);

#endif
