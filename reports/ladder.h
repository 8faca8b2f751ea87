/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_LADDER_H
#define REPORTS_LADDER_H

#include <bothends/plan.h>

/*
 * The ladder of landmarks on the way out: own radio, far radio, the router
 * behind it, the far computer.  Where answers stop, the link breaks.
 */
struct rung {
    int landmark; /* enum landmark */
    char name[NAME_SIZE];
    uint64_t sent_count, answered_count;
};

/* Nearest first; those of one landmark stay in their order. */
void ladder_sort(struct rung *rungs, size_t count);

/*
 * "own radio answers, far radio does not: the break is on the air, between the
 * two radios".  from: who pinged.  The rungs are sorted; those that were sent
 * nothing are passed over.  Returns whether there is a break.
 */
bool ladder_tell(const struct rung *rungs, size_t count, const char *from,
                 char *ret_text, size_t size);

/* "far computer (hub-pc)", the farthest that answered; false: none did. */
bool ladder_tell_farthest(const struct rung *rungs, size_t count,
                          char *ret_text, size_t size);

#endif
