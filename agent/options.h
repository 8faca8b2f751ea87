/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_OPTIONS_H
#define AGENT_OPTIONS_H

#include <bothends/fault.h>
#include <bothends/fields.h>
#include <limits.h>
#include <stdio.h>

/*
 * The agent's command line.  The rows of agent_option_rows read it and print
 * its help; a field's key is the option's word.
 */
struct agent_options {
    char listen[512]; /* addresses, comma-separated; "": not said */
    uint64_t port;
    char key[PATH_MAX];
    char new_key[PATH_MAX];
    char spool[PATH_MAX];
    char config[PATH_MAX];
    char practice_clock[PATH_MAX];
    char name[64];
    int log; /* enum log_level */
    bool end_with_parent;
    bool help, version;
};

/* The fault says what was found and what was expected. */
int options_read(int argument_count, char *const *arguments,
                 struct agent_options *ret_options, struct fault *fault);
void options_print_help(FILE *out);

#endif
