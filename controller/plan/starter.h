/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_STARTER_H
#define CONTROLLER_PLAN_STARTER_H

#include <bothends/plan.h>
#include <stdio.h>

/* Print a starter plan: an invented example that passes 'check', keys explained
 * by their rows' help; all of them, or those that most plans want. */
void starter_print(FILE *out, bool is_all);

/* How this computer would reach an address. */
struct starter_way {
    char to[ADDRESS_SIZE];      /* as it was typed */
    char address[ADDRESS_SIZE]; /* our own, on that way */
    char interface[NAME_SIZE];  /* "": not known */
};

/* Print a plan that runs as it is: pings from here to that address, and the
 * rungs in between as a comment. */
void starter_print_to(FILE *out, const struct starter_way *way);

#endif
