/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"

#include <bothends/practice_clock.h>
#include <bothends/units.h>
#include <stddef.h>
#include <uv.h>

/* The tightest of a few: a preemption between the readings spoils one. */
#define BRACKET_COUNT 5

/* A computer has one wall clock, so a program has one of these; NULL: it is
 * right. Mapped until the end. */
static const struct practice_clock *practice;

/* How far the wall clock is ahead of the system's. */
static int64_t ahead_ns(void)
{
    return practice ? practice_clock_ahead_ns(practice, clock_now_ns()) : 0;
}

uint64_t clock_now_ns(void)
{
    return uv_hrtime();
}

int64_t clock_wall_minus_monotonic_ns(uint64_t *ret_uncertainty_ns)
{
    int64_t best_ns = 0;
    uint64_t least_width_ns = UINT64_MAX;

    for (int i = 0; i < BRACKET_COUNT; i++) {
        struct timespec wall;
        const uint64_t before_ns = clock_now_ns();

        (void) timespec_get(&wall, TIME_UTC);
        const uint64_t width_ns = clock_now_ns() - before_ns;
        if (width_ns >= least_width_ns)
            continue;
        least_width_ns = width_ns;
        best_ns = (int64_t) wall.tv_sec * (int64_t) NS_PER_S + wall.tv_nsec
                  - (int64_t) (before_ns + width_ns / 2);
    }
    if (ret_uncertainty_ns)
        *ret_uncertainty_ns = (least_width_ns + 1) / 2;
    return best_ns + ahead_ns();
}

uint64_t clock_from_wall(const struct timespec *wall,
                         int64_t wall_minus_monotonic_ns)
{
    return (uint64_t) ((int64_t) wall->tv_sec * (int64_t) NS_PER_S
                       + wall->tv_nsec + ahead_ns() - wall_minus_monotonic_ns);
}

int clock_practise(const char *path, struct fault *fault)
{
    const struct practice_clock *found = clock_map(path);

    if (!found)
        return fault_set(fault, UV_ENOENT, "cannot map the practice clock '%s'",
                         path);
    if (found->mark != PRACTICE_CLOCK_MARK)
        return fault_set(fault, UV_EINVAL,
                         "'%s': found another file, expected a practice clock",
                         path);
    practice = found;
    return 0;
}
