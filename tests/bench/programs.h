/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BENCH_PROGRAMS_H
#define BENCH_PROGRAMS_H

#include <stdio.h>
#include <sys/types.h>

/*
 * The real programs for a bench, in a temporary folder of its own.  Whatever
 * fails ends the bench with a message; the folder and the agents go with it.
 */
struct bench_agent {
    pid_t pid;
    unsigned port;
};

/* Makes the folder and goes there; gives the build folder's whole path. */
const char *bench_enter(const char *build);
/* Its key is NAME.key; it says what it has to say in NAME.said. */
struct bench_agent bench_start_agent(const char *build, const char *name,
                                     const char *address);
/* The most that it ever had in memory. */
long bench_resident_kb(const struct bench_agent *agent);

/* By the shell; its exit status is the caller's to know by what it left. */
__attribute__((format(printf, 1, 2))) void bench_command(const char *format,
                                                         ...);
FILE *bench_create(const char *path);

#endif
