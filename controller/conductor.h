/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CONDUCTOR_H
#define CONTROLLER_CONDUCTOR_H

#include "controller/display.h"
#include "controller/logbook.h"

#include <bothends/plan.h>

/*
 * Carries a run out, group by group, from where it stands in the logbook:
 * proves contact, has the steps set, tells the ends, keeps silent while they
 * exchange, fetches their accounts and stores them.
 */
/* What the operator asks for beside the plan. */
struct conductor_manner {
    uint64_t battery_below_percent; /* warned of, off the mains; 0: not */
    bool asks_readings; /* of radios that no agent's command reads */
    bool tests_cut;     /* controller/cut.h */
};

struct conductor_wish {
    const struct plan *plan;       /* borrowed */
    struct logbook *logbook;       /* borrowed */
    const struct logbook_run *run; /* borrowed; begun or reopened */
    bool is_resumed;
    struct conductor_manner manner;
    struct display *display; /* borrowed */
    int input;               /* descriptor of the operator's answers */
};

enum conductor_end {
    CONDUCTOR_COMPLETE,
    CONDUCTOR_INTERRUPTED, /* by the operator */
    CONDUCTOR_UNREACHED,   /* an end was not reached, or contact not proven */
    CONDUCTOR_REFUSED,     /* every step is over the plan's limit */
    CONDUCTOR_FAILED,      /* a failure of our own */
};

struct conductor_result {
    enum conductor_end end;
    bool has_groups;    /* something is stored that a report can be made of */
    bool is_resumable;  /* something is stored, or kept by the agents */
    bool has_troubles;  /* an exchange could not be carried out */
    struct fault fault; /* why, when not complete */
};

/* The run's state in the logbook is brought up to date as well. */
void conductor_run(const struct conductor_wish *wish,
                   struct conductor_result *ret_result);

#endif
