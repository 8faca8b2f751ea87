/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_AIRTIME_H
#define CONTROLLER_PLAN_AIRTIME_H

#include "reports/capacity.h"

/*
 * How long each transmitter would be on the air: an estimate from what each
 * exchange sends and what the step should carry.  Losses, and the radios' own
 * polling while nobody sends, come on top.
 */

/* Adds what the exchange with that index, of that length, costs each end of the
 * plan, in s. */
void airtime_add(const struct plan *plan, size_t index,
                 const struct expectation *expectation, double planned_s,
                 double ends_s[PLAN_ENDS_MAX]);

#endif
