/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_DRAW_H
#define BOTHENDS_DRAW_H

#include <bothends/fields.h>
#include <math.h>
#include <stdint.h>

/*
 * Seeded draws that both ends, the controller and a reader with the seed get
 * alike.  The generator is SplitMix64 (Steele, Lea, Flood: "Fast splittable
 * pseudorandom number generators", OOPSLA 2014).
 */
struct draw {
    uint64_t state;
};

static inline uint64_t draw_next(struct draw *draw)
{
    uint64_t z = draw->state += UINT64_C(0x9e3779b97f4a7c15);

    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

/* Uniform in [0, 1): the upper 53 bits. */
static inline double draw_unit(struct draw *draw)
{
    return (double) (draw_next(draw) >> 11) * 0x1p-53;
}

static inline double draw_spread(struct draw *draw, const struct spread *spread)
{
    switch (spread->form) {
    case SPREAD_FIXED:
        return spread->mean;
    case SPREAD_UNIFORM:
        return spread->low + (spread->high - spread->low) * draw_unit(draw);
    case SPREAD_EXPONENTIAL:
        return -spread->mean * log1p(-draw_unit(draw));
    }
    return spread->mean;
}

#endif
