/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_ORDERS_H
#define REHEARSAL_DRIVER_ORDERS_H

#include "controller/rehearsal/ledger.h"
#include "controller/rehearsal/timeline.h"

/* What the messages of the control panel mean (driver_control.h), and what the
 * practice radios answer. */
struct driver_orders {
    struct air *air;           /* borrowed, like all here */
    struct timeline *timeline; /* NULL: nothing comes or goes */
    const struct ledger_names *names;
    size_t hub;
};

/* What is asked is answered as of now_ns: "ok", with what was asked for behind
 * a line end, or what was wrong.  message is changed. */
void driver_orders_carry_out(const struct driver_orders *orders,
                             uint64_t now_ns, char *message, char *answer,
                             size_t size);

#endif
