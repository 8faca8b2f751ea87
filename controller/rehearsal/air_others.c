/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

static uint64_t draw_exponential_ns(struct draw *draw, double mean_ns)
{
    const struct spread spread = { .form = SPREAD_EXPONENTIAL,
                                   .mean = mean_ns };
    const double drawn_ns = draw_spread(draw, &spread);

    return drawn_ns < 1 ? 1 : (uint64_t) drawn_ns;
}

/* A Poisson process: with this mean gap they fill their share of the time, for
 * what comes while the channel is taken waits and is not dropped. */
static uint64_t draw_gap_ns(struct others *others)
{
    return draw_exponential_ns(&others->draw, (double) others->length_ns
                                                  / others->share_ratio);
}

void others_set(struct others *others, uint64_t now_ns, double share_ratio,
                uint64_t length_ns)
{
    others->share_ratio = share_ratio;
    others->length_ns = length_ns;
    others->next_ns =
        share_ratio > 0 ? now_ns + draw_gap_ns(others) : AIR_NEVER;
}

uint64_t others_begin(struct air *air, struct others *others, uint64_t at_ns)
{
    const struct air_other other = {
        at_ns,
        at_ns + draw_exponential_ns(&others->draw, (double) others->length_ns)
    };

    others->next_ns += draw_gap_ns(others);
    others->busy_until_ns = other.ended_ns;
    if (air->listener.on_other)
        air->listener.on_other(air->listener.owner, &other);
    return other.ended_ns;
}

uint64_t others_until_ns(struct air *air, struct others *others,
                         uint64_t free_ns, uint64_t at_ns)
{
    uint64_t until_ns =
        others->busy_until_ns > free_ns ? others->busy_until_ns : free_ns;

    while (others->next_ns <= (until_ns > at_ns ? until_ns : at_ns))
        until_ns = others_begin(air, others,
                                others->next_ns > until_ns ? others->next_ns
                                                           : until_ns);
    return until_ns > at_ns ? until_ns : at_ns;
}
