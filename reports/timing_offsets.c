/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_offsets.h"

#include "reports/repeats.h"
#include "reports/timing_sums.h"

#include <math.h>

/* So many of the exchanges before it are asked. */
static const size_t asked_most = 16;

/* The far clock minus the near one, at that time of the near one. */
struct offset {
    double at_ns, middle_ns, half_ns; /* NaN: not known */
};

void timing_keep_offset(struct reduction *reduction, size_t exchange,
                        const struct one_way *delays)
{
    const struct range least_s = delays->ways[WAY_THERE].least_s;

    if (!range_is_said(least_s))
        return;
    struct value_record *value = rows_add(&reduction->values);

    value->exchange = exchange;
    value->what = TIMING_OFFSET;
    value->level.mean =
        clock_line_at_ns(&delays->pair.there, delays->pair.there.at_ns)
        - one_way_least_s(delays, WAY_THERE) * 1e9;
    value->level.error = one_way_doubt_s(delays, WAY_THERE) * 1e9;
    value->level.degrees = (double) delays->pair.there.at_ns;
}

static void take_offset(void *owner, const struct value_record *value)
{
    struct offset *offset = owner;

    if (value->what == TIMING_OFFSET)
        *offset = (struct offset){ value->level.degrees, value->level.mean,
                                   value->level.error };
}

/* The same seen from the other end. */
static struct offset turned(const struct offset *offset)
{
    return (struct offset){ offset->at_ns + offset->middle_ns,
                            -offset->middle_ns, offset->half_ns };
}

static struct offset offset_of(const struct reduction *reduction,
                               size_t exchange, bool is_turned)
{
    struct offset offset = { .half_ns = (double) NAN };

    repeats_each_value(reduction, exchange, false, take_offset, &offset);
    return is_turned ? turned(&offset) : offset;
}

static const struct exchange_account *
account_at(const struct exchange_record *record, const char *end)
{
    return strcmp(record->from, end) == 0 ? &record->from_account.account
                                          : &record->to_account.account;
}

/* Wall clock less monotonic clock stays what it is, but for a sleep, in which
 * the latter stands still, and for a wall clock that is set: so much more is
 * not known of the two. */
static double changed_ns(const struct exchange_record *before,
                         const struct exchange_record *record)
{
    const char *const ends[] = { record->from, record->to };
    double sum_ns = 0;

    for (size_t i = 0; i < COUNT_OF(ends); i++) {
        const int64_t then_ns =
            account_at(before, ends[i])->wall_minus_monotonic_ended_ns;
        const int64_t now_ns =
            account_at(record, ends[i])->wall_minus_monotonic_begun_ns;

        sum_ns += fabs((double) (now_ns - then_ns));
    }
    return sum_ns;
}

void timing_use_offset(const struct reduction *reduction, size_t exchange,
                       struct one_way *delays)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const double at_ns = (double) delays->pair.there.at_ns;
    struct offset best = { .half_ns = (double) INFINITY };
    size_t asked_count = 0;

    for (size_t i = exchange; i-- > 0 && asked_count < asked_most;) {
        const struct exchange_record *before = reduction_exchange(reduction, i);
        const bool is_same = strcmp(before->from, record->from) == 0
                             && strcmp(before->to, record->to) == 0;
        const bool is_turned = strcmp(before->from, record->to) == 0
                               && strcmp(before->to, record->from) == 0;

        if (strcmp(before->kind->name, record->kind->name) != 0
            || !(is_same || is_turned))
            continue;
        asked_count++;
        struct offset offset = offset_of(reduction, i, is_turned);

        offset.half_ns += CLOCK_CRYSTAL_RATIO * fabs(at_ns - offset.at_ns)
                          + changed_ns(before, record);
        if (offset.half_ns < best.half_ns)
            best = offset;
    }
    if (isfinite(best.half_ns))
        one_way_narrow(delays, (struct range){ best.middle_ns - best.half_ns,
                                               best.middle_ns + best.half_ns });
}
