/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TICKS_H
#define REPORTS_TICKS_H

#include <stddef.h>

/*
 * Round numbers for an axis (P. Heckbert, "Nice numbers for graph labels",
 * Graphics Gems, 1990).  Tick i stands at low + i x step.
 */
struct ticks {
    double low, high, step;
    size_t count;
    int decimals;
};

/* About `wanted` (3 or more) ticks that enclose least to most. */
struct ticks ticks_for(double least, double most, int wanted);

/* Let the axis end at that value instead of at the next tick. */
void ticks_end_at(struct ticks *ticks, double most);

static inline double ticks_at(const struct ticks *ticks, size_t index)
{
    return ticks->low + (double) index * ticks->step;
}

#endif
