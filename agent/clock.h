/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_CLOCK_H
#define AGENT_CLOCK_H

#include <bothends/fault.h>
#include <stdint.h>
#include <time.h>

/*
 * Every stamp of the agent passes through here.  Samples are on the monotonic
 * clock.  Kernel receive and transmit stamps are wall clock; they are converted
 * by the difference of both clocks, bracketed around the read.
 *
 * On a practice link a computer's wall clock can be wrong on purpose.
 */

struct practice_clock;

/* From now on the wall clock is as wrong as that file says
 * (bothends/practice_clock.h), for the whole program.  0, or a negative UV_E...
 * code and its words. */
int clock_practise(const char *path, struct fault *fault);

/* Monotonic now, in ns: the clock of uv_hrtime(). */
uint64_t clock_now_ns(void);

/* Wall clock minus monotonic clock, in ns, from the tightest of a few brackets;
 * *ret_uncertainty_ns (may be NULL) is half the bracket. */
int64_t clock_wall_minus_monotonic_ns(uint64_t *ret_uncertainty_ns);

/* A kernel stamp (wall clock) as a monotonic one. */
uint64_t clock_from_wall(const struct timespec *wall,
                         int64_t wall_minus_monotonic_ns);

/* Time that this computer has slept since boot: boot-time clock minus
 * monotonic clock; 0 where the system does not tell. */
uint64_t clock_suspended_ns(void);

/* That file in memory, for ever; NULL: it can't be, or is too short. */
const struct practice_clock *clock_map(const char *path);

#endif
