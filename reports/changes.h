/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CHANGES_H
#define REPORTS_CHANGES_H

#include "reports/reduction.h"

/*
 * Change over time: in a long idle ping the level of the round trips, and over
 * repeats of a download that of its goodput.  A change that is found becomes a
 * pair of findings (change_time, change_ratio) and a sentence among the doubts,
 * for a figure over both levels describes neither.
 */
#define CHANGE_PROBES_LEAST 60
#define CHANGE_ROUNDS_LEAST 10
#define CHANGE_PROBABILITY  0.01 /* of Pettitt's test, when there is none */
#define CHANGE_LEAST_RATIO  0.10 /* smaller changes are not told */
#define CHANGE_PENALTY      2.0  /* round trips hang together a little */

/* After the kinds have combined. */
int changes_add(struct reduction *reduction, struct fault *fault);

#endif
