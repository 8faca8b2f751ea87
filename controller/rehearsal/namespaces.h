/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_NAMESPACES_H
#define REHEARSAL_NAMESPACES_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <sys/types.h>

/*
 * The practice world's namespaces (Linux): one network namespace for each end,
 * its computer, and one in the middle, where the air is.  All of it lives in a
 * process namespace whose first process dies with its parent: whatever is
 * killed, nothing is left behind.
 */

/* The interface of every practice end. */
#define PRACTICE_INTERFACE "air0"

/*
 * Fork a child that is the first process of new namespaces: process and
 * network, and, unless this is root, user.  Like fork(): 0 in the child.
 * Negative: the fault says how they can be allowed.  The caller has one thread.
 */
pid_t namespaces_fork(struct fault *fault);

/* Can it be done here?  Leaves nothing. */
int namespaces_check(struct fault *fault);

/* One end's computer. */
struct practice_end {
    int network;        /* fd of its network namespace */
    int clock;          /* fd of its time namespace; -1: the system has none */
    uint64_t offset_ns; /* what its monotonic clock adds to ours */
    char veth[16];      /* its link's name in the middle */
};

/* What the computer has for addresses. */
struct practice_addresses {
    const char *const *texts; /* IPv4 and IPv6, borrowed */
    size_t count;
};

#define PRACTICE_PREFIX_IPV4 24
#define PRACTICE_PREFIX_IPV6 64

/*
 * In the child: make end number `index`, with our clock as yet.  The calling
 * process comes back to the network namespace that it was in.
 */
int namespaces_make_end(size_t index, uint64_t mtu_bytes,
                        const struct practice_addresses *addresses,
                        struct practice_end *ret_end, struct fault *fault);

/*
 * Give it a clock of its own.  The calling process keeps its own; but any child
 * that it forks from now on has the last clock made, until it enters an end:
 * an ordinary user can't come back.  So fork first whoever is to keep ours.
 */
int namespaces_make_clock(struct practice_end *end, uint64_t offset_ns,
                          struct fault *fault);

/* Move the calling process to that end's computer; children go along. */
int namespaces_enter(const struct practice_end *end, struct fault *fault);

#endif
