/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_ORDERS_H
#define CONTROLLER_ORDERS_H

#include <bothends/fault.h>
#include <bothends/plan.h>

/*
 * From a planned group to the orders of its ends: what each is told, but for
 * the start, which the conductor sets last.  No sockets, no clock.
 */

/* Addresses as numbers, looked up before the run: names are never resolved
 * while the link should be silent. */
struct orders_site {
    const struct plan *plan;
    char addresses[PLAN_ENDS_MAX][ADDRESS_SIZE]; /* of the ends */
    char (*hosts)[ADDRESS_SIZE];         /* of each exchange's host, or "" */
    char tag[16];                        /* begins the run's ids */
    uint64_t seed;                       /* of the run */
    double expected_bps[PLAN_STEPS_MAX]; /* goodput; 0: not known */
    double expected_cycle_ns[PLAN_STEPS_MAX]; /* while data flow; the same */
};

struct order_part {
    int end; /* index into the plan's ends */
    struct exchange_order order;
};

struct ordered_exchange {
    const struct plan_exchange *planned;
    uint64_t plan_index;
    char condition[64];
    uint64_t planned_ns, longest_ns; /* after the start */
    struct order_part parts[2];      /* the receiving end first */
    size_t part_count;
};

#define ORDER_ATTEMPTS_AGAIN 0x100

/* Where in the run a group stands. */
struct order_place {
    uint64_t position; /* from 0, over all rounds and steps */
    size_t step, group;
    /* New ids for a repeat: how often the run was resumed, and
     * ORDER_ATTEMPTS_AGAIN for each time that the ends were told anew. */
    uint64_t attempt;
};

/* exchanges: room for PLAN_GROUP_MAX. */
int orders_make(const struct orders_site *site, const struct order_place *place,
                struct ordered_exchange *exchanges, size_t *ret_count,
                struct fault *fault);

/* An exchange's id is TAG-POSITION-NUMBER[-ATTEMPT]. */
struct order_id {
    uint64_t position, number, attempt;
};

/* false: it is none of the run with that tag. */
bool orders_read_id(const char *id, const char *tag, struct order_id *ret_id);

/* Position n of a run, and how many there are. */
uint64_t orders_position_count(const struct plan *plan);
void orders_place_of(const struct plan *plan, uint64_t position,
                     struct order_place *ret_place);

#endif
