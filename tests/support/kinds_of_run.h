/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_KINDS_OF_RUN_H
#define SUPPORT_KINDS_OF_RUN_H

#include "tests/support/made_run.h"

/*
 * Runs of every kind that a report must be able to tell, as logbooks made by
 * hand.  fill() gets a run that was just begun and ends it.
 */
struct kind_of_run {
    const char *name;
    void (*fill)(struct made_run *made);
};

extern const struct kind_of_run kinds_of_run[];
extern const size_t kinds_of_run_count;

/* One of them by its name. */
const struct kind_of_run *kind_of_run(const char *name);

/* A run that was made of this kind: begun, filled, ended. */
void kind_of_run_make(const struct kind_of_run *kind, struct made_run *made);

#endif
