/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/losses.h"

#include <math.h>

void losses_add(struct losses *losses, bool is_lost)
{
    if (!losses->count)
        losses->is_first_lost = is_lost;
    losses->count++;
    losses->lost_count += is_lost;
    losses->pairs_lost_count += is_lost && losses->is_last_lost;
    losses->is_last_lost = is_lost;
}

/* As NIST defines it, over a record of 0 and 1. */
double losses_lag1(const struct losses *losses)
{
    const double count = (double) losses->count;
    const double lost = (double) losses->lost_count;
    const double share = losses->count ? lost / count : 0;
    const double squares = count * share * (1 - share);
    /* Each stands in two pairs, but for the first and the last. */
    const double in_pairs =
        2 * lost - losses->is_first_lost - losses->is_last_lost;

    if (!(squares > 0))
        return (double) NAN;
    return ((double) losses->pairs_lost_count - share * in_pairs
            + (count - 1) * share * share)
           / squares;
}

double losses_effective_count(const struct losses *losses)
{
    const double count = (double) losses->count;
    const double lag1 = losses_lag1(losses);

    if (!(lag1 > 0))
        return count;
    /* Below, what independent losses show by chance. */
    return lag1 > 2 / sqrt(count) ? statistics_effective_count(count, lag1)
                                  : count;
}

struct estimate losses_interval(const struct losses *losses, double level)
{
    const double count = losses_effective_count(losses);

    if (!losses->count)
        return statistics_wilson(0, 0, level);
    return statistics_wilson_of(count * (double) losses->lost_count
                                    / (double) losses->count,
                                count, level);
}
