/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_FINDINGS_H
#define REPORTS_TIMING_FINDINGS_H

#include "reports/timing_expect.h"
#include "reports/timing_sums.h"

/* Of one timing exchange, or of the same one in all rounds. */
struct timing_told {
    struct reduction *reduction; /* borrowed */
    size_t exchange;             /* index */
    bool is_all_rounds;
    bool is_near_only; /* the reflector's account is not there */
    struct timing_expected expected;
    struct timing_sum sum;
};

void timing_add_findings(const struct timing_told *told);
/* None of them is known, for that reason. */
void timing_add_whys(const struct timing_told *told, const char *why);

#endif
