/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_PRACTICE_CLOCK_H
#define BOTHENDS_PRACTICE_CLOCK_H

#include <stdatomic.h>
#include <stdint.h>

/*
 * How wrong a practice computer's wall clock is: a small file that the practice
 * link writes and the agent there maps.  All practice computers share one
 * system's wall clock; the agent adds this to whatever it reads of it, kernel
 * stamps too.  In the byte order of the computer on which both run.
 */
#define PRACTICE_CLOCK_MARK UINT64_C(0x31636c6b68746f62) /* bothclk1 */

struct practice_clock {
    uint64_t mark;
    double skew_ratio; /* too fast by that */
    int64_t since_ns;  /* ... since then, on the agent's monotonic clock */
    _Atomic int64_t offset_ns; /* ahead by that; changes when it is stepped */
};

/* How far it is ahead at that time of the agent's monotonic clock. */
static inline int64_t
practice_clock_ahead_ns(const struct practice_clock *clock, uint64_t at_ns)
{
    const int64_t passed_ns = (int64_t) at_ns - clock->since_ns;

    return atomic_load_explicit(&clock->offset_ns, memory_order_relaxed)
           + (int64_t) (clock->skew_ratio * (double) passed_ns);
}

#endif
