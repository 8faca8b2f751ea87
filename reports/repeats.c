/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/repeats.h"

#include "reports/lookup.h"

static bool is_same(const struct exchange_record *a,
                    const struct exchange_record *b)
{
    return a->kind == b->kind && a->plan_index == b->plan_index
           && strcmp(a->step, b->step) == 0 && strcmp(a->from, b->from) == 0
           && strcmp(a->to, b->to) == 0
           && strcmp(a->condition, b->condition) == 0;
}

static uint64_t key_of(const struct exchange_record *exchange)
{
    uint64_t key = lookup_number(LOOKUP_KEY, exchange->plan_index);

    key = lookup_text(key, exchange->kind->name);
    key = lookup_text(key, exchange->step);
    key = lookup_text(key, exchange->from);
    key = lookup_text(key, exchange->to);
    return lookup_text(key, exchange->condition);
}

/* The last one before it that is the same; false: it is the first. */
static bool find_before(const struct reduction *reduction,
                        const struct lookup_found *alike, size_t place,
                        size_t *ret_exchange)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, alike->entries[place].index);

    while (place-- > 0) {
        const size_t before = alike->entries[place].index;

        if (is_same(reduction_exchange(reduction, before), exchange)) {
            *ret_exchange = before;
            return true;
        }
    }
    return false;
}

static void link_alike(const struct reduction *reduction,
                       const struct lookup_found *alike)
{
    for (size_t i = 0; i < alike->count; i++) {
        const size_t index = alike->entries[i].index;
        struct exchange_record *exchange = reduction_exchange(reduction, index);
        size_t before;

        exchange->first_same = index;
        exchange->next_same = reduction->exchanges.count;
        if (!find_before(reduction, alike, i, &before))
            continue;
        exchange->first_same =
            reduction_exchange(reduction, before)->first_same;
        reduction_exchange(reduction, before)->next_same = index;
    }
}

void repeats_link(struct reduction *reduction)
{
    struct lookup lookup;

    lookup_init(&lookup);
    for (size_t i = 0; i < reduction->exchanges.count; i++)
        lookup_add(&lookup, key_of(reduction_exchange(reduction, i)), i);
    lookup_sort(&lookup);
    for (size_t i = 0; i < lookup.entries.count;) {
        const struct lookup_entry *entry = rows_at(&lookup.entries, i);
        const struct lookup_found alike = lookup_find(&lookup, entry->key);

        link_alike(reduction, &alike);
        i += alike.count;
    }
    lookup_clear(&lookup);
}

bool repeats_is_first(const struct reduction *reduction, size_t exchange)
{
    return reduction_exchange(reduction, exchange)->first_same == exchange;
}

size_t repeats_next(const struct reduction *reduction, size_t exchange)
{
    return reduction_exchange(reduction, exchange)->next_same;
}

bool repeats_are_same(const struct reduction *reduction, size_t a, size_t b)
{
    return reduction_exchange(reduction, a)->first_same
           == reduction_exchange(reduction, b)->first_same;
}

size_t repeats_first_value(const struct reduction *reduction, size_t exchange)
{
    size_t low = 0;
    size_t high = reduction->values.count;

    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        const struct value_record *value = rows_at(&reduction->values, middle);

        if (value->exchange < exchange)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

void repeats_each_value(const struct reduction *reduction, size_t exchange,
                        bool is_all_rounds, repeats_value_fn *on_value,
                        void *owner)
{
    do {
        for (size_t i = repeats_first_value(reduction, exchange);
             i < reduction->values.count; i++) {
            const struct value_record *value = rows_at(&reduction->values, i);

            if (value->exchange != exchange)
                break;
            on_value(owner, value);
        }
        exchange = repeats_next(reduction, exchange);
    } while (is_all_rounds && exchange < reduction->exchanges.count);
}
