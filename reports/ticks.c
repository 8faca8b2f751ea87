/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/ticks.h"

#include <math.h>
#include <stdbool.h>

static double nice(double value, bool is_rounded)
{
    const double power = pow(10, floor(log10(value)));
    const double fraction = value / power;
    double round;

    if (is_rounded)
        round = fraction < 1.5 ? 1 : fraction < 3 ? 2 : fraction < 7 ? 5 : 10;
    else
        round = fraction <= 1 ? 1 : fraction <= 2 ? 2 : fraction <= 5 ? 5 : 10;
    return round * power;
}

struct ticks ticks_for(double least, double most, int wanted)
{
    struct ticks ticks;

    if (!isfinite(least) || !isfinite(most) || !(most > least)) {
        least = isfinite(least) ? least : 0;
        most = least + 1;
    }
    ticks.step = nice(nice(most - least, false) / (wanted - 1), true);
    ticks.low = floor(least / ticks.step) * ticks.step;
    ticks.high = ceil(most / ticks.step) * ticks.step;
    ticks.count =
        (size_t) floor((ticks.high - ticks.low) / ticks.step + 0.5) + 1;
    ticks.decimals = (int) fmax(-floor(log10(ticks.step)), 0);
    return ticks;
}

void ticks_end_at(struct ticks *ticks, double most)
{
    if (!(most > ticks->low) || !(most < ticks->high))
        return;
    ticks->high = most;
    ticks->count = (size_t) floor((most - ticks->low) / ticks->step + 1e-9) + 1;
}
