/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_TIMELINE_H
#define REHEARSAL_TIMELINE_H

#include "controller/rehearsal/air.h"

#include <stdio.h>

/*
 * What comes and goes on the practice link: the events of its plan, and those
 * that are told while it runs.  Pure: whoever drives the air asks when the next
 * is due and lets it happen.
 *
 * While several events of one kind hold for a direction, a radio or the
 * channel, the last named one counts (those of the plan in its order, then
 * those that were told); when it ends, what held before it holds again, at last
 * what the plan's practice says.  An outage and an absence hold as long as any
 * of them does.
 *
 * Each event has a number: those of the plan from 1 on, in its order.
 */
#define TIMELINE_EVENTS_MAX 256 /* that wait or hold at one time */

struct timeline;

/* Each may be NULL. */
struct timeline_listener {
    /* A computer's clock is not the air's: whoever runs the computers steps
     * it.  NULL: clock steps of the plan are left out, told ones are refused.
     */
    void (*on_clock_step)(void *owner, size_t end, int64_t by_ns);
    /* An event begins or ends, and is borrowed for the call. */
    void (*on_event)(void *owner, uint64_t now_ns, unsigned number,
                     bool is_beginning, const struct plan_event *event);
    void *owner; /* borrowed */
};

/* plan is borrowed until timeline_free(), and was read without a mistake.
 * listener may be NULL.
 * began_ns: when its air began, in the air's time like all times here. */
struct timeline *timeline_new(const struct plan *plan, uint64_t began_ns,
                              const struct timeline_listener *listener);
void timeline_free(struct timeline *timeline);

/* When to call timeline_apply() next; AIR_NEVER: not before another begins. */
uint64_t timeline_next_ns(const struct timeline *timeline);
/* All that is due by now_ns begins and ends. */
void timeline_apply(struct timeline *timeline, struct air *air,
                    uint64_t now_ns);

/* An event begins now: "loss chance=10% from=skerry for=20s", see
 * controller/plan/event.h.  0, -EINVAL (the words), -ENOTSUP (a clock step
 * without computers) or -E2BIG (too many at one time). */
int timeline_begin(struct timeline *timeline, struct air *air, uint64_t now_ns,
                   const char *words, unsigned *ret_number,
                   struct fault *fault);
/* Before its time; one that has not begun never does.  0, or -EINVAL: no such
 * number waits or holds. */
int timeline_end(struct timeline *timeline, struct air *air, uint64_t now_ns,
                 unsigned number, struct fault *fault);

/* A line for each that holds: "3 loss from=skerry chance=10%". */
void timeline_print(const struct timeline *timeline, FILE *out);

#endif
