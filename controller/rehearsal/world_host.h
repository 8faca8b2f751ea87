/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_WORLD_HOST_H
#define REHEARSAL_WORLD_HOST_H

#include "controller/rehearsal/world.h"

#include <signal.h>

/*
 * The first process of the practice world's namespaces: it builds the world,
 * lets the operator's program run, and takes the world down.
 */
#define HOST_BROKEN 125 /* exit status: the world failed, and it was told */

/* In that process, where host_fill_signals() are blocked.  Returns the exit
 * status. */
int host_run(const struct world *world);

/* Those that are passed on to the operator's program, and SIGCHLD. */
void host_fill_signals(sigset_t *signals);
/* As a shell has it: 128 + the signal that ended it. */
int host_exit_status(int wait_status);

#endif
