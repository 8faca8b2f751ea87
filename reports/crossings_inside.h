/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CROSSINGS_INSIDE_H
#define REPORTS_CROSSINGS_INSIDE_H

#include "reports/crossings.h"

#include <bothends/kinds/timing.h>

/* Of the year 2096 as a wall clock has it: what an agent stamps beyond that is
 * no time, and differences would not fit. */
#define CROSSING_STAMP_MOST_NS INT64_C(4000000000000000000)

static inline bool crossing_is_stamp(int64_t stamp_ns)
{
    return stamp_ns >= 0 && stamp_ns <= CROSSING_STAMP_MOST_NS;
}

/* Between crossings.c and crossings_near.c: the reflector's part, from what the
 * sender was told; sent: rows of struct timing_probe. */
void crossings_take_near(struct crossings *crossings, const struct rows *sent);

#endif
