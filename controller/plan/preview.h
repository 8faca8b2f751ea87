/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_PREVIEW_H
#define CONTROLLER_PLAN_PREVIEW_H

#include "reports/bandwidth.h"
#include "reports/capacity.h"
#include "reports/uses.h"

#include <bothends/rows.h>
#include <stdio.h>

/*
 * What a plan would do, worked out without sending anything: what each step
 * should carry, how long each exchange would take on it, what that costs in
 * airtime, and what doesn't go together.
 */
struct preview_step {
    struct expectation expectation;
    struct bandwidth bandwidth;
    struct range text_ns;   /* a text message until it is confirmed */
    struct range margin_db; /* the least of all ways; NaN */
    struct use uses[USE_COUNT];
    bool is_over_limit;              /* ... of link.limits.bandwidth */
    bool is_run;                     /* over the limit only on the bench */
    uint64_t planned_ns, longest_ns; /* the sequence once */
    double airtime_s[PLAN_ENDS_MAX]; /* of each end's transmitter in it */
};

#define WARNING_SIZE 512

/* Something that doesn't go together, for a person to look at. */
struct warning {
    char code[NAME_SIZE]; /* for programs: "mtu-above-slot" */
    char steps[256];      /* "steady, brisk"; "": not of a step */
    char text[WARNING_SIZE];
};

struct preview {
    const struct plan *plan; /* borrowed */
    struct preview_step steps[PLAN_STEPS_MAX];
    uint64_t planned_ns, longest_ns; /* all rounds and steps that are run */
    struct rows warnings;            /* of struct warning */
    double *exchange_bps;            /* see preview_exchange_bps() */
};

/* preview_clear() frees. */
void preview_make(const struct plan *plan, struct preview *ret_preview);
void preview_clear(struct preview *preview);

/* One exchange, or one group (its longest exchange), on a step. */
uint64_t preview_exchange_ns(const struct preview *preview, size_t exchange,
                             size_t step);
uint64_t preview_group_ns(const struct preview *preview, size_t group,
                          size_t step);

/* What a download gets on a step, others of its group beside it; 0: nothing is
 * known, or it is none. */
double preview_exchange_bps(const struct preview *preview, size_t exchange,
                            size_t step);

/* Is the step within the limits of bandwidth and symbol rate, as far as they
 * are said?  Nothing: none is, or the step's width is not known. */
enum capacity_said preview_is_allowed(const struct preview *preview,
                                      size_t step);

/* Share of the sequence's time that an end's transmitter is on the air; NaN
 * where nothing is known. */
double preview_duty_ratio(const struct preview *preview, size_t end,
                          size_t step);

/* Content bytes per second that are most likely. */
double preview_goodput_bps(const struct preview *preview, size_t step,
                           enum capacity_way way);

/* On one screen, for people; and for programs. */
void preview_print(FILE *out, const struct preview *preview);
void preview_print_json(FILE *out, const struct preview *preview);

#endif
