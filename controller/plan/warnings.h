/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_WARNINGS_H
#define CONTROLLER_PLAN_WARNINGS_H

#include "controller/plan/preview.h"

/*
 * What doesn't go together in a plan that reads without a mistake.  Found after
 * all else of the preview is known; each rule is a function.
 */
void warnings_find(struct preview *preview);

/* Those of the radio's sites and paths, of rates that no radio has, and of
 * probes that meet the access cycle. */
void warnings_find_radio(struct preview *preview);
void warnings_find_rates(struct preview *preview);
void warnings_find_probes(struct preview *preview);

/* A step's warning whose text is that of an earlier step joins it.  step:
 * PLAN_STEPS_MAX where it is of none. */
void warnings_add(struct preview *preview, const char *code, size_t step,
                  const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* --- one warning of several steps ---------------------------------------- */

#define WARNING_SHOWN_SIZE 96

/* A value with its unit: "12.5 kHz". */
void warning_show(enum unit unit, double value, char text[WARNING_SHOWN_SIZE]);

/* Steps that one warning speaks of, and the one whose figures it shows. */
struct concern {
    bool steps[PLAN_STEPS_MAX];
    size_t count, worst;
    double worst_value;
    bool differ; /* the steps' values */
};

void concern_add(struct concern *concern, size_t step, double value);
/* " (on steady)" where others have another value. */
const char *concern_on(const struct concern *concern, const struct plan *plan,
                       char text[WARNING_SHOWN_SIZE]);
void concern_tell(struct preview *preview, const char *code,
                  const struct concern *concern, const char *text);

#endif
