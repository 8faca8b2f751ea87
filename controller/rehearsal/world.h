/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_WORLD_H
#define REHEARSAL_WORLD_H

#include "controller/rehearsal/driver.h"

/*
 * The practice world: for each end a computer of its own (network and time
 * namespace), the air between them, the ends' services (agents) on their
 * computers, and the operator's program on one of them.
 *
 *     the caller ─ first process of the namespaces ─┬─ the air
 *                  (dies with the caller)           ├─ a service per end
 *                                                   └─ the operator's program
 *
 * Whatever ends first, the others are ended too.  The caller's INT, TERM, HUP
 * and QUIT go to the operator's program, once each; the rest of the world
 * stands until that has ended.
 */
#define WORLD_ADDRESSES_MAX 12

struct world_end {
    const char *name;
    const char *addresses[WORLD_ADDRESSES_MAX];
    size_t address_count;
    const char *router; /* NULL, or as in struct driver_end */
    /* The end's service: NULL, or its argument list.  It is up when it has
     * printed a line, into log. */
    const char *const *service;
    const char *log;
    /* NULL, or the file that its service reads its wall clock's error from. */
    const char *clock;
    int64_t clock_offset_ns;
    double clock_skew_ppm;
};

struct world {
    struct air_config config;
    struct ledger_names names;
    const struct plan *plan; /* of the air's events; NULL: there are none */
    uint64_t mtu_bytes;
    const char *folder; /* of this rehearsal; must be there */
    struct world_end ends[PLAN_ENDS_MAX];
    size_t end_count;
    size_t operator_end;
    const char *const *operator_program; /* argument list */
};

/* What end number `index` adds to the practice link's monotonic clock. */
uint64_t world_clock_offset_ns(size_t index);

/*
 * Builds it, lets the operator's program run, takes it down.  Returns that
 * program's exit status (128 + signal where one ended it), or a negative code
 * with the fault.  The caller has one thread; all is borrowed.
 */
int world_run(const struct world *world, struct fault *fault);

#endif
