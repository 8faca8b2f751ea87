/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_READY_PLANS_H
#define REHEARSAL_READY_PLANS_H

#include <stddef.h>

/*
 * Plans to learn with, which need no file: controller/rehearsal/plans/, put
 * into the program when it is built (CMakeLists.txt).  Each begins with a
 * comment that says what one learns from it.
 */
struct ready_plan {
    const char *name, *text;
};

/* The first one is rehearsed when nothing else is said. */
extern const struct ready_plan ready_plans[];
extern const size_t ready_plan_count;

/* NULL: there is none of that name. */
const struct ready_plan *ready_plan_find(const char *name);

/* Its first comment, as one line. */
#define READY_LESSON_SIZE 1024
void ready_plan_lesson(const struct ready_plan *plan,
                       char ret_text[READY_LESSON_SIZE]);

#endif
