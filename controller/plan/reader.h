/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_READER_H
#define CONTROLLER_PLAN_READER_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <stdio.h>

/*
 * Reads a plan from YAML by the field lists of bothends/plan.h and of the
 * kinds.  All mistakes of a file are found in one pass, each with line, column,
 * key, what was found and what was expected.
 */
struct plan_mistake {
    int line, column; /* from 1 */
    char key[128];
    char found[128];
    char expected[256];
};

struct plan_mistakes {
    struct plan_mistake *items;
    size_t count;
};

/* text is borrowed.  0, or UV_EINVAL with at least one mistake; then *ret_plan
 * is empty.  plan_clear() and plan_mistakes_clear() free. */
int plan_read_text(const char *text, size_t text_bytes, struct plan *ret_plan,
                   struct plan_mistakes *mistakes);
/* Also gives the text (the caller frees it). A file that can't be read is a
 * fault, mistakes in it are mistakes. */
int plan_read_file(const char *path, struct plan *ret_plan, char **ret_text,
                   struct plan_mistakes *mistakes, struct fault *fault);
void plan_clear(struct plan *plan);

/* "club.yaml:4:6: sequence.ping.wait: found '250 parsecs', expected a time such
 * as 250 ms" */
void plan_mistakes_print(FILE *out, const char *name,
                         const struct plan_mistakes *mistakes);
void plan_mistakes_clear(struct plan_mistakes *mistakes);

#endif
