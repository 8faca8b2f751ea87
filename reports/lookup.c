/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/lookup.h"

static const uint64_t fnv_prime = UINT64_C(1099511628211);

static uint64_t add_byte(uint64_t key, unsigned char byte)
{
    return (key ^ byte) * fnv_prime;
}

uint64_t lookup_text(uint64_t key, const char *text)
{
    for (; *text; text++)
        key = add_byte(key, (unsigned char) *text);
    return add_byte(key, 0);
}

uint64_t lookup_number(uint64_t key, uint64_t number)
{
    for (int i = 0; i < 8; i++)
        key = add_byte(key, (unsigned char) (number >> (8 * i)));
    return key;
}

void lookup_init(struct lookup *lookup)
{
    *lookup =
        (struct lookup){ .entries.row_size = sizeof(struct lookup_entry) };
}

void lookup_clear(struct lookup *lookup)
{
    rows_clear(&lookup->entries);
}

void lookup_add(struct lookup *lookup, uint64_t key, size_t index)
{
    *(struct lookup_entry *) rows_add(&lookup->entries) =
        (struct lookup_entry){ key, index };
}

static int compare(const void *one, const void *other)
{
    const struct lookup_entry *a = one;
    const struct lookup_entry *b = other;

    if (a->key != b->key)
        return a->key < b->key ? -1 : 1;
    return (a->index > b->index) - (a->index < b->index);
}

void lookup_sort(struct lookup *lookup)
{
    if (lookup->entries.count)
        qsort(lookup->entries.data, lookup->entries.count,
              lookup->entries.row_size, compare);
}

/* The first entry whose key is not below. */
static size_t first_from(const struct lookup *lookup, uint64_t key)
{
    size_t low = 0;
    size_t high = lookup->entries.count;

    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        const struct lookup_entry *entry = rows_at(&lookup->entries, middle);

        if (entry->key < key)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

struct lookup_found lookup_find(const struct lookup *lookup, uint64_t key)
{
    const size_t first = first_from(lookup, key);
    struct lookup_found found = { NULL, 0 };

    while (first + found.count < lookup->entries.count
           && ((const struct lookup_entry *) rows_at(&lookup->entries,
                                                     first + found.count))
                      ->key
                  == key)
        found.count++;
    if (found.count)
        found.entries = rows_at(&lookup->entries, first);
    return found;
}
