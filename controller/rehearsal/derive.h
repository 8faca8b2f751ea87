/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DERIVE_H
#define REHEARSAL_DERIVE_H

#include <bothends/fault.h>
#include <bothends/plan.h>

/*
 * From a plan of a real link to the plan of its rehearsal: the same link,
 * steps and sequence, but every address is one of the practice world.
 */
#define CAST_HOSTS_MAX 8

/* One practice computer, in the order of the air's turns: the hub first. */
struct cast_end {
    int end;         /* index into the plan's ends */
    char folder[40]; /* its files, relative to the rehearsal's folder */
    char ipv4[ADDRESS_SIZE], ipv6[ADDRESS_SIZE];
    char router[ADDRESS_SIZE]; /* "", or that of its address translation */
    /* Further addresses: hosts of the plan that are no ends, landmarks. */
    char hosts[CAST_HOSTS_MAX][ADDRESS_SIZE];
    size_t host_count;
};

struct cast {
    struct cast_end ends[PLAN_ENDS_MAX];
    size_t end_count;
};

/*
 * Changes the plan: addresses and keys of the ends, the hosts that exchanges
 * go to (they become further addresses of the hub's computer), interface names,
 * and set_steps: by agent.  Radios and routers become further addresses of the
 * computers that they stand at.  seed 0: as in the plan.
 */
int derive_practice_plan(struct plan *plan, uint64_t seed,
                         struct cast *ret_cast, struct fault *fault);

#endif
