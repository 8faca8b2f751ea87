/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REFERENCE_H
#define REPORTS_REFERENCE_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <sqlite3.h>

/*
 * The user's own reference run: what the same steps carried on the bench,
 * through attenuators.  It parts the radio's protocol from the path.
 */

/*
 * What a run of the logbook measured of each step of its own plan, others
 * silent: steady goodput between hub and stations, and echoes of the ping's
 * preset size.  A step of which it measured nothing gets run 0, and why.
 */
int reference_gather(sqlite3 *logbook, int64_t run, const struct plan *its_plan,
                     struct plan_reference ret_references[PLAN_STEPS_MAX],
                     struct fault *fault);

/* Takes them for the steps of that name, as far as step and link are the same
 * but for the path; the others get a reason why not. */
void reference_take(struct plan *plan, const struct plan *its_plan,
                    const struct plan_reference references[PLAN_STEPS_MAX],
                    int64_t run);

#endif
