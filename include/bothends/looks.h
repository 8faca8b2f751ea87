/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_LOOKS_H
#define BOTHENDS_LOOKS_H

#include <bothends/fields.h>
#include <bothends/steady.h>
#include <bothends/units.h>

/*
 * "until: within 5 %": an exchange ends when half of its figure's interval is
 * at most that share of the figure.
 *
 * Whoever looks often enough at an interval finds it too narrow by luck.  So
 * looks are few and planned: the first when at least 18 s are there, 15 s
 * and 30 whole cycles of them in steady state, the next at twice the length,
 * and so on, and the last when the longest time is over.  The error budget (1 -
 * 0.95) is split over them beforehand: half of it is the first look's, the rest
 * is shared evenly by those that can follow.  So the claim of 95 % holds
 * whichever look was the last; each look's own interval is at its own, higher
 * level.
 */
#define LOOKS_LEVEL        0.95
#define LOOKS_FIRST_NS     (18 * NS_PER_S)
#define LOOKS_FIRST_CYCLES 30
#define LOOKS_KEPT_NS      (15 * NS_PER_S) /* of them after the warm-up */
#define LOOKS_FIRST_SHARE  0.5

struct looks {
    double within_ratio;  /* wanted */
    uint64_t count;       /* looks so far */
    uint64_t later_count; /* looks that can follow the first one */
    double next_ns;       /* length from which on the next one may be */
    double level_ratio;   /* of the latest look; 0: none yet */
    double found_ratio;   /* half of its interval over its figure */
};

/* How an exchange with looks ended. */
enum looks_end {
    LOOKS_NONE, /* not asked for */
    LOOKS_WITHIN,
    LOOKS_TIME_OVER,
};

/* clang-format off */
static const char *const looks_ends[] = { "not asked for", "within", "time over", NULL };
/* clang-format on */

/* What an end says of its looks; part of its kind's outcome. */
struct looks_outcome {
    uint64_t count;
    double level_ratio, found_ratio;
    int ended_by; /* enum looks_end */
};

/* May there be a look at this length?  Then it is counted, and level_ratio is
 * its own level.  left_ns: until the longest time is over. */
static inline bool looks_may(struct looks *looks, double length_ns,
                             double left_ns)
{
    if (!looks->count) {
        /* Twice, four times ... and one at the very end. */
        looks->later_count = 1;
        double next_ns = 2 * length_ns;

        while (next_ns < length_ns + left_ns) {
            looks->later_count++;
            next_ns *= 2;
        }
    } else if (looks->count > looks->later_count
               || (length_ns < looks->next_ns && left_ns > 0)) {
        return false; /* no budget left, or not yet */
    }
    const double budget = 1 - LOOKS_LEVEL;

    looks->level_ratio = 1
                         - (looks->count ? budget * (1 - LOOKS_FIRST_SHARE)
                                               / (double) looks->later_count
                                         : budget * LOOKS_FIRST_SHARE);
    looks->count++;
    looks->next_ns = 2 * length_ns;
    return true;
}

/* Can a record of that length be looked at, before its time is over? */
static inline bool looks_is_due(const struct looks *looks, double length_ns)
{
    return length_ns >= (double) LOOKS_FIRST_NS
           && (!looks->count || length_ns >= looks->next_ns);
}

/*
 * Is the mean of these cycles known well enough?  Called again and again as the
 * record grows; most calls look at nothing.
 */
static inline bool looks_at_rates(struct looks *looks, const double *rates,
                                  size_t count, double cycle_ns, double left_ns)
{
    const double length_ns = (double) count * cycle_ns;

    /* Cheap refusals first. */
    if (count < LOOKS_FIRST_CYCLES
        || (left_ns > 0 && !looks_is_due(looks, length_ns)))
        return false;
    const struct steady steady = steady_find(rates, count);
    const double kept_ns =
        (double) (steady.count - steady.cut_count) * cycle_ns;

    if (steady.lack != STEADY_ENOUGH || kept_ns < (double) LOOKS_KEPT_NS
        || !looks_may(looks, length_ns, left_ns))
        return false;
    looks->found_ratio = steady_t(looks->level_ratio, steady.degrees)
                         * steady.error / steady.batches.mean;
    return looks->found_ratio <= looks->within_ratio;
}

/*
 * The median's distribution-free interval: the largest rank (from 1) with
 * P(B < rank) <= (1 - level) / 2, B binomial with share 1/2; 0: none.
 */
static inline size_t looks_median_rank(size_t count, double level)
{
    const double tail = (1 - level) / 2;
    double below = 0;
    size_t rank = 0;

    while (rank < count) {
        below += exp(lgamma((double) count + 1) - lgamma((double) rank + 1)
                     - lgamma((double) (count - rank) + 1)
                     - (double) count * log(2));
        if (below > tail)
            break;
        rank++;
    }
    return rank;
}

/* The same of the median of sorted values (lost probes: INFINITY) that took
 * length_ns. */
static inline bool looks_at_median(struct looks *looks, const double *sorted,
                                   size_t count, double length_ns,
                                   double left_ns)
{
    if (!count || length_ns < (double) LOOKS_FIRST_NS
        || !looks_may(looks, length_ns, left_ns))
        return false;
    const size_t rank = looks_median_rank(count, looks->level_ratio);

    looks->found_ratio = (double) INFINITY;
    if (!rank || isinf(sorted[count - rank]))
        return false;
    looks->found_ratio = (sorted[count - rank] - sorted[rank - 1]) / 2
                         / sorted[(count + 1) / 2 - 1];
    return looks->found_ratio <= looks->within_ratio;
}

static inline void looks_tell(const struct looks *looks, bool is_within,
                              struct looks_outcome *ret_outcome)
{
    *ret_outcome = (struct looks_outcome){
        .count = looks->count,
        .level_ratio = looks->level_ratio,
        .found_ratio = isfinite(looks->found_ratio) ? looks->found_ratio : 0,
        .ended_by = is_within ? LOOKS_WITHIN : LOOKS_TIME_OVER,
    };
}

/* Rows of an outcome's field list; outcome is the kind's struct. */
/* clang-format off */
#define LOOKS_FIELDS(outcome) \
    { "looks_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(outcome, looks.count), 0, 0, "", NULL, "looks at the interval on the way (until)" }, \
    { "looks_level", NULL, FIELD_REAL, UNIT_RATIO, FIELD_AT(outcome, looks.level_ratio), 0, 1, "0", NULL, "level of the last look's interval; 0: there was none" }, \
    { "looks_found", NULL, FIELD_REAL, UNIT_RATIO, FIELD_AT(outcome, looks.found_ratio), 0, 0, "0", NULL, "half of that interval over the figure" }, \
    { "looks_ended_by", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(outcome, looks.ended_by), 0, 0, "not asked for", looks_ends, "how it was decided that the exchange ends" }
/* clang-format on */

#endif
