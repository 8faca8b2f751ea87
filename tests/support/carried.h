/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_CARRIED_H
#define TESTS_CARRIED_H

#include "reports/capacity.h"

/*
 * What the practice link's air carries of a plan's first step, on virtual time,
 * for tests that hold what is expected against it.
 */

/* A range that is one value. */
struct range exactly(double value);

/* Backlogs of full packets, at most PLAN_GROUP_MAX, run together: what each of
 * the plan's ends gets through, in IP bits per second, the first tenth of the
 * time apart. */
void carry_together(const struct plan *plan,
                    const struct capacity_demand *flows, size_t count,
                    uint64_t duration_ns, double *ret_by_end_bps);

double carried_bps(const struct plan *plan, size_t from, size_t to,
                   uint64_t duration_ns);

/* What echoes took: both ways, and the least of each. */
struct probed {
    double least_ns, mean_ns, there_ns, back_ns;
};

/* So many echoes of 84 bytes, each on an idle channel, and evenly over the
 * phases of a cycle. */
struct probed probe_air(const struct plan *plan, size_t from, size_t to,
                        uint64_t cycle_ns, uint64_t probes);

#endif
