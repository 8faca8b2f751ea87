/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REACH_H
#define REPORTS_REACH_H

#include "reports/reduction.h"

#include <stdio.h>

/*
 * How far the pings of a run came on the ladder of landmarks
 * (reports/ladder.h): for each step and each end that pinged, from the findings
 * of loss.
 */

/* Is it an end with an agent?  All else is seen from one end only. */
bool reach_is_both_ended(const struct plan *plan, const char *name);

/* The section of the report; nothing without landmarks. */
void reach_write(const struct reduction *reduction, FILE *out);

/* " From near on step walk: ..." for each break, behind what the text holds.
 * Returns whether there is one. */
bool reach_append_breaks(const struct reduction *reduction, char *text,
                         size_t size);

/* " The way from near is whole as far as the far computer, on walk." for each
 * way without a break. */
void reach_append_whole(const struct reduction *reduction, char *text,
                        size_t size);

bool reach_has_break(const struct reduction *reduction);

/* How it was measured: which ends were seen from one end only. */
void reach_add_methods(struct reduction *reduction);

#endif
