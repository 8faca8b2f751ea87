/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_WARNINGS_H
#define CONTROLLER_PLAN_WARNINGS_H

#include "controller/plan/preview.h"

/*
 * What doesn't go together in a plan that reads without a mistake.  Found after
 * all else of the preview is known; each rule is a function.
 */
void warnings_find(struct preview *preview);

/* Those of the radio, its sites and its paths. */
void warnings_find_radio(struct preview *preview);

/* A step's warning whose text is that of an earlier step joins it.  step:
 * PLAN_STEPS_MAX where it is of none. */
void warnings_add(struct preview *preview, const char *code, size_t step,
                  const char *format, ...)
    __attribute__((format(printf, 4, 5)));

#endif
