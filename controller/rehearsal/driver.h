/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_H
#define REHEARSAL_DRIVER_H

#include "controller/rehearsal/air.h"
#include "controller/rehearsal/ledger.h"

/*
 * The air in real time: takes every packet that leaves a practice end's
 * computer, lets the air decide, and hands it to the other end's computer when
 * the air says so (Linux, packet sockets).  A process of its own, in the
 * middle namespace.
 */
struct driver_end {
    const char *name;             /* in the plan */
    const char *veth;             /* its link in the middle */
    const char *const *addresses; /* what is forwarded to it */
    size_t address_count;
    /* NULL, or the IPv4 address of the router that it is behind: that one
     * translates, and nobody else can open a connection to it. */
    const char *router;
    struct practice_clock *clock; /* NULL: nobody sees its wall clock */
};

struct driver_setup {
    struct air_config config;
    struct ledger_names names;
    const struct plan *plan; /* NULL: nothing comes or goes */
    const struct driver_end *ends;
    size_t end_count;
    const char *folder; /* of this rehearsal: gets the ledger, the socket */
};

/*
 * Runs until SIGTERM, which the caller has blocked.  ready is a pipe: a byte
 * is written when packets are taken from now on.  All is borrowed.
 */
int driver_run(const struct driver_setup *setup, int ready,
               struct fault *fault);

/*
 * What is told to a practice link that runs.  All return 0, or a negative code
 * and its words: -EINVAL where the link did not take what it was told.
 *
 * Set a practice radio to a step: what an agent's own step command does.
 * folder is that of the rehearsal.
 */
int driver_set_step(const char *folder, const char *end, const char *step,
                    struct fault *fault);

/* What that radio tells of itself, as lines of name=value: what an agent's own
 * readings command prints. */
#define DRIVER_READINGS_SIZE 512
int driver_read(const char *folder, const char *end,
                char ret_text[DRIVER_READINGS_SIZE], struct fault *fault);

/* Something goes wrong from now on, in the words of an event ("loss chance=10%
 * from=skerry", controller/plan/event.h), until its time is over or its number
 * is ended; and a line for each that does. */
#define DRIVER_EVENTS_SIZE 4096
int driver_begin(const char *folder, const char *words, unsigned *ret_number,
                 struct fault *fault);
int driver_end(const char *folder, unsigned number, struct fault *fault);
int driver_events(const char *folder, char ret_text[DRIVER_EVENTS_SIZE],
                  struct fault *fault);

#endif
