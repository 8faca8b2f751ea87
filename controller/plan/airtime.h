/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_AIRTIME_H
#define CONTROLLER_PLAN_AIRTIME_H

#include "reports/capacity.h"

/*
 * How long each transmitter would be on the air: an estimate from what each
 * exchange sends and what the step should carry.  Losses, and the radios' own
 * polling while nobody sends, come on top.
 */

/* An exchange that lasts so long and, if it is a download, gets so much. */
struct airtime_course {
    double planned_s, goodput_bps;
};

/* Adds what the exchange with that index costs each end of the plan, in s. */
void airtime_add(const struct plan *plan, size_t index,
                 const struct expectation *expectation,
                 const struct airtime_course *course,
                 double ends_s[PLAN_ENDS_MAX]);

/* Does it send as much as it gets through? */
bool airtime_is_bulk(const struct plan_exchange *exchange);

/* The end whose radio sends for that end, or for a host (-1): hosts stand
 * behind the hub, landmarks beside the first end of their role. */
size_t airtime_transmitter(const struct plan *plan, int end);

#endif
