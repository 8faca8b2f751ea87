/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_STAGE_H
#define REHEARSAL_STAGE_H

#include "controller/rehearsal/derive.h"
#include "controller/rehearsal/world.h"

#include <limits.h>

/*
 * The files of one rehearsal, in a numbered folder of its own below DIR, which
 * may hold other files:
 *
 *     DIR/practice-3/plan.yaml              what was run, in practice addresses
 *                    ledger/                what really happened
 *                    ends/NAME/key          each agent's key
 *                              config.json  its owner's file: step command
                              clock        how wrong its wall clock is
 *                              spool/, log
 *
 * and the agents' command lines that go with them.
 */
#define STAGE_PATH_SIZE     (PATH_MAX + 128)
#define STAGE_ARGUMENTS_MAX 16

struct stage_end {
    char key[STAGE_PATH_SIZE], config[STAGE_PATH_SIZE], spool[STAGE_PATH_SIZE];
    char log[STAGE_PATH_SIZE], clock[STAGE_PATH_SIZE];
    char port[8];
    const char *agent[STAGE_ARGUMENTS_MAX]; /* argument list */
};

struct stage {
    char folder[PATH_MAX]; /* absolute */
    char plan[STAGE_PATH_SIZE];
    char controller[PATH_MAX], agent[PATH_MAX]; /* the programs */
    struct stage_end ends[PLAN_ENDS_MAX];       /* in the order of the cast */
};

/* plan and cast as derive_practice_plan() left them; borrowed while the stage
 * is used. */
int stage_make(const char *out, const struct plan *plan,
               const struct cast *cast, struct stage *ret_stage,
               struct fault *fault);

/* The world with this stage's agents on it; everything borrowed.  The
 * operator's program is left to the caller. */
int stage_fill_world(const struct stage *stage, const struct plan *plan,
                     const struct cast *cast, struct world *ret_world,
                     struct fault *fault);

#endif
