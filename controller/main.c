/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * bothends, the operator's program: finds the command, reads its options, and
 * lets it run.  A new command is a file in controller/commands, its name in
 * command.h and a row here.
 */
#include "controller/commands/command.h"
#include "controller/options.h"
#include "controller/quantity.h"
#include "controller/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* In the order in which somebody new would use them. */
static const struct command *const commands[] = {
    &draft_command,  &check_command,  &rehearse_command, &run_command,
    &resume_command, &import_command, &runs_command,     &report_command,
    &gain_command,   &export_command, &picture_command,  &practice_command,
};

#define COMMAND_COUNT COUNT_OF(commands)

static void print_help(FILE *out)
{
    (void) fputs(
        "usage: bothends COMMAND [OPTIONS] [ARGUMENTS]\n\n"
        "Measures an IP link over radio from both ends, holds what was\n"
        "measured against what the chosen rate step should carry, and\n"
        "writes the report.\n\n",
        out);
    for (size_t i = 0; i < COMMAND_COUNT; i++) {
        char usage[64];

        (void) snprintf(usage, sizeof(usage), "  %s %s", commands[i]->name,
                        commands[i]->arguments);
        (void) fprintf(out, "%-24s", usage);
        if (strlen(usage) > 22)
            (void) fprintf(out, "\n%24s", "");
        options_print_wrapped(out, 24, commands[i]->help);
    }
    (void) fputs("\n'bothends COMMAND --help' explains the options of one "
                 "command.\n'bothends --version' tells which bothends this is."
                 "\n\nExit status: 0 all met; 1 something short or undecided; "
                 "2 wrong usage or plan;\n3 an end was not reached; 4 a "
                 "failure of our own; 130 interrupted.\n",
                 out);
}

static const struct command *find_command(const char *name)
{
    for (size_t i = 0; i < COMMAND_COUNT; i++) {
        if (strcmp(commands[i]->name, name) == 0)
            return commands[i];
    }
    return NULL;
}

static int refuse_command(const char *name)
{
    const char *known[COMMAND_COUNT + 1];
    char quoted[128], all[256];

    for (size_t i = 0; i < COMMAND_COUNT; i++)
        known[i] = commands[i]->name;
    known[COMMAND_COUNT] = NULL;
    text_join(known, all, sizeof(all));
    quantity_quote(name, quoted, sizeof(quoted));

    const char *nearest = text_nearest(name, known);
    if (nearest)
        (void) fprintf(stderr,
                       "bothends: unknown command %s, did you mean '%s'?\n",
                       quoted, nearest);
    else
        (void) fprintf(stderr, "bothends: found %s, expected %s\n", quoted,
                       all);
    return STATUS_USAGE;
}

static int carry_out(const struct command *command, const char *const *words,
                     size_t word_count)
{
    struct fault fault = { 0 };
    void *options = calloc(1, command->options_size + 1);
    const char **arguments = calloc(word_count + 1, sizeof(*arguments));
    size_t argument_count = 0;
    int exit_status = STATUS_OURS;

    if (!options || !arguments) {
        (void) fputs("bothends: out of memory\n", stderr);
        goto done;
    }
    const int status = options_read(command, words, word_count, options,
                                    arguments, &argument_count, &fault);
    if (status == OPTIONS_HELP) {
        options_print_help(stdout, command);
        exit_status = STATUS_MET;
    } else if (status != 0) {
        (void) fprintf(stderr, "bothends %s: %s\n", command->name, fault.text);
        exit_status = STATUS_USAGE;
    } else {
        exit_status = command->run(arguments, argument_count, options);
    }
done:
    free(arguments);
    free(options);
    return exit_status;
}

static int run(int argc, const char *const *argv)
{
    if (argc < 2) {
        print_help(stderr);
        return STATUS_USAGE;
    }
    if (strcmp(argv[1], "--help") == 0) {
        print_help(stdout);
        return STATUS_MET;
    }
    if (strcmp(argv[1], "--version") == 0) {
        (void) puts("bothends " BOTHENDS_VERSION);
        return STATUS_MET;
    }
    const struct command *command = find_command(argv[1]);
    if (!command)
        return refuse_command(argv[1]);
    return carry_out(command, argv + 2, (size_t) (argc - 2));
}

int main(int argc, char **argv)
{
    const int status = run(argc, (const char *const *) argv);

    /* A full disk behind a pipe or a redirection is noticed only here. */
    if (fflush(stdout) != 0 || ferror(stdout)) {
        perror("bothends: cannot write to standard output");
        return STATUS_OURS;
    }
    return status;
}
