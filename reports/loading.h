/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_LOADING_H
#define REPORTS_LOADING_H

#include "reports/reduction.h"

/*
 * From the logbook into the reduction: in this order.
 */
int loading_run(struct reduction *reduction, int64_t run, struct fault *fault);
/* With their specs, accounts and outcomes. */
int loading_exchanges(struct reduction *reduction, struct fault *fault);
/* What the groups' control traffic was. */
int loading_groups(struct reduction *reduction, struct fault *fault);
/* The conductor's notes, as doubts. */
int loading_readings(struct reduction *reduction, struct fault *fault);
int loading_notes(struct reduction *reduction, struct fault *fault);

#endif
