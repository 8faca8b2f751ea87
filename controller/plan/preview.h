/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_PREVIEW_H
#define CONTROLLER_PLAN_PREVIEW_H

#include "reports/capacity.h"

#include <stdio.h>

/*
 * What a plan would do, worked out without sending anything: what each step
 * should carry, and how long each exchange would take on it.
 */
struct preview_step {
    struct expectation expectation;
    double bandwidth_hz;             /* NaN: can't be told */
    bool is_over_limit;              /* ... of link.limits.bandwidth */
    bool is_run;                     /* over the limit only on the bench */
    uint64_t planned_ns, longest_ns; /* the sequence once */
};

struct preview {
    const struct plan *plan; /* borrowed */
    struct preview_step steps[PLAN_STEPS_MAX];
    uint64_t planned_ns, longest_ns; /* all rounds and steps that are run */
};

void preview_make(const struct plan *plan, struct preview *ret_preview);

/* One exchange, or one group (its longest exchange), on a step. */
uint64_t preview_exchange_ns(const struct preview *preview, size_t exchange,
                             size_t step);
uint64_t preview_group_ns(const struct preview *preview, size_t group,
                          size_t step);

/* On one screen, for people; and for programs. */
void preview_print(FILE *out, const struct preview *preview);
void preview_print_json(FILE *out, const struct preview *preview);

#endif
