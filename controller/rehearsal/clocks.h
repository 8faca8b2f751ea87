/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_CLOCKS_H
#define REHEARSAL_CLOCKS_H

#include <bothends/fault.h>
#include <bothends/practice_clock.h>
#include <stddef.h>

/*
 * The practice computers' clocks.  Each has a monotonic clock of its own (time
 * namespace) and a wall clock that is as wrong as the plan says
 * (bothends/practice_clock.h).
 */
struct clock_setup {
    const char *end;
    int64_t monotonic_offset_ns; /* what it adds to the practice link's */
    const char *file;            /* of its wall clock; NULL: nobody sees it */
    int64_t wall_offset_ns;
    double wall_skew_ppm;
};

/* Makes the file and maps it, to be stepped also by processes forked later;
 * NULL where no file is wanted.  now_ns is the practice link's. */
int clocks_make(const struct clock_setup *setup, uint64_t now_ns,
                struct practice_clock **ret_clock, struct fault *fault);
/* It jumps. */
void clocks_step(struct practice_clock *clock, int64_t by_ns);

/* clocks.json in the folder of the ledger. */
int clocks_write(const char *ledger, const struct clock_setup *setups,
                 size_t count, struct fault *fault);

#endif
