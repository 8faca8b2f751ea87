/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/repeats.h"

#include "reports/lookup.h"

/* By its names alone: two such may be two places of the plan. */
static bool is_alike(const struct exchange_record *a,
                     const struct exchange_record *b)
{
    return a->kind == b->kind && strcmp(a->step, b->step) == 0
           && strcmp(a->from, b->from) == 0 && strcmp(a->to, b->to) == 0
           && strcmp(a->condition, b->condition) == 0;
}

static bool is_same(const struct exchange_record *a,
                    const struct exchange_record *b)
{
    return a->plan_index == b->plan_index && is_alike(a, b);
}

static uint64_t key_of(const struct exchange_record *exchange, bool has_place)
{
    uint64_t key =
        lookup_number(LOOKUP_KEY, has_place ? exchange->plan_index : 0);

    key = lookup_text(key, exchange->kind->name);
    key = lookup_text(key, exchange->step);
    key = lookup_text(key, exchange->from);
    key = lookup_text(key, exchange->to);
    return lookup_text(key, exchange->condition);
}

static void index_all(const struct reduction *reduction, bool has_place,
                      struct lookup *lookup)
{
    lookup_init(lookup);
    for (size_t i = 0; i < reduction->exchanges.count; i++)
        lookup_add(lookup, key_of(reduction_exchange(reduction, i), has_place),
                   i);
    lookup_sort(lookup);
}

/* --- several alike in one group ------------------------------------------- */

/* Places in the plan of those that a group has of one kind between the same
 * ends. */
struct places {
    uint64_t numbers[PLAN_GROUP_MAX];
    size_t count;
};

/* From 1; added when it is new. */
static size_t number_of(struct places *places, uint64_t plan_index)
{
    size_t i = 0;

    while (i < places->count && places->numbers[i] != plan_index)
        i++;
    if (i == places->count && places->count < PLAN_GROUP_MAX)
        places->numbers[places->count++] = plan_index;
    return i + 1;
}

/* "messages quarry <> jetty (1 of 2)": at the cost of the text before it, where
 * there is no room for both. */
static void append_number(struct exchange_record *exchange, size_t number,
                          size_t count)
{
    char suffix[32];

    (void) snprintf(suffix, sizeof(suffix), " (%zu of %zu)", number, count);
    const size_t length = strlen(suffix);
    const size_t used = strlen(exchange->condition);
    const size_t most = sizeof(exchange->condition) - 1 - length;

    (void) memcpy(exchange->condition + (used < most ? used : most), suffix,
                  length + 1);
}

static void number_alike(const struct reduction *reduction,
                         const struct lookup_found *alike)
{
    const struct exchange_record like =
        *reduction_exchange(reduction, alike->entries[0].index);
    struct places places = { .count = 0 };

    for (size_t i = 0; i < alike->count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, alike->entries[i].index);

        if (is_alike(exchange, &like))
            (void) number_of(&places, exchange->plan_index);
    }
    if (places.count < 2 || strcmp(like.condition, "idle") == 0)
        return;
    for (size_t i = 0; i < alike->count; i++) {
        struct exchange_record *exchange =
            reduction_exchange(reduction, alike->entries[i].index);

        if (is_alike(exchange, &like))
            append_number(exchange, number_of(&places, exchange->plan_index),
                          places.count);
    }
}

/* Calls for every set of one key. */
static void each_set(const struct reduction *reduction, bool has_place,
                     void (*on_set)(const struct reduction *reduction,
                                    const struct lookup_found *set))
{
    struct lookup lookup;

    index_all(reduction, has_place, &lookup);
    for (size_t i = 0; i < lookup.entries.count;) {
        const struct lookup_entry *entry = rows_at(&lookup.entries, i);
        const struct lookup_found set = lookup_find(&lookup, entry->key);

        on_set(reduction, &set);
        i += set.count;
    }
    lookup_clear(&lookup);
}

/* --- links ---------------------------------------------------------------- */

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
    each_set(reduction, false, number_alike);
    each_set(reduction, true, link_alike);
}

bool repeats_is_first(const struct reduction *reduction, size_t exchange)
{
    return reduction_exchange(reduction, exchange)->first_same == exchange;
}

size_t repeats_next(const struct reduction *reduction, size_t exchange)
{
    return reduction_exchange(reduction, exchange)->next_same;
}

/* Exchanges are reduced in their order, so their values stand in it. */
static size_t first_value(const struct reduction *reduction, size_t exchange)
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
        for (size_t i = first_value(reduction, exchange);
             i < reduction->values.count; i++) {
            const struct value_record *value = rows_at(&reduction->values, i);

            if (value->exchange != exchange)
                break;
            on_value(owner, value);
        }
        exchange = repeats_next(reduction, exchange);
    } while (is_all_rounds && exchange < reduction->exchanges.count);
}

/* --- what was measured beside ----------------------------------------------
 */

uint64_t repeats_key_beside(const struct exchange_record *exchange)
{
    const bool is_in_order = strcmp(exchange->from, exchange->to) < 0;
    uint64_t key = lookup_number(LOOKUP_KEY, exchange->round);

    key = lookup_text(key, exchange->step);
    key = lookup_text(key, is_in_order ? exchange->from : exchange->to);
    return lookup_text(key, is_in_order ? exchange->to : exchange->from);
}

static bool are_between(const struct exchange_record *a, const char *from,
                        const char *to)
{
    return strcmp(a->from, from) == 0 && strcmp(a->to, to) == 0;
}

bool repeats_are_beside(const struct exchange_record *a,
                        const struct exchange_record *b)
{
    return a->round == b->round && strcmp(a->step, b->step) == 0
           && (are_between(a, b->from, b->to)
               || are_between(a, b->to, b->from));
}
