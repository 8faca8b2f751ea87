/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PUBLIC_H
#define REPORTS_PUBLIC_H

#include "reports/reduction.h"

/*
 * What anybody may read: a run without addresses, and with positions only as
 * precise as the plan's public.locator allows.  Done once, on what was reduced,
 * before any writer sees it, so that no writer has to know.
 *
 * Distances are told in steps as coarse as the positions ("at most 5 km");
 * heights above sea level, obstacles and the antennas' azimuths would give a
 * place away and go, unless it is told to 8 characters or more; expectations
 * keep three digits, for the travel time is in them.
 *
 * plan is the caller's room for the plan as the public sees it, to be cleared
 * by public_clear() after the reduction, which then borrows it.
 */
void public_redact(struct reduction *reduction, struct plan *ret_plan);
void public_clear(struct plan *plan);

#endif
