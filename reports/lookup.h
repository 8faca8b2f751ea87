/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_LOOKUP_H
#define REPORTS_LOOKUP_H

#include <bothends/rows.h>
#include <stdbool.h>
#include <stdint.h>

/*
 * Which rows have a key, without a walk over all of them: a run may hold
 * thousands of exchanges with tens of findings each.  A key is a hash of names
 * and numbers; two keys may share one, so whoever asks compares what it finds.
 *
 * lookup_add() all, lookup_sort() once, then lookup_find(); the rows of one key
 * come in the order of their indexes.
 */
struct lookup {
    struct rows entries; /* of struct lookup_entry */
};

struct lookup_entry {
    uint64_t key;
    size_t index;
};

/* A part of the entries; count 0: there are none. */
struct lookup_found {
    const struct lookup_entry *entries; /* borrowed until the next add */
    size_t count;
};

#define LOOKUP_KEY UINT64_C(14695981039346656037)

/* FNV-1a, 64 bits; the end of the text is in it, so "ab", "c" is not "a", "bc".
 */
uint64_t lookup_text(uint64_t key, const char *text);
uint64_t lookup_number(uint64_t key, uint64_t number);

void lookup_init(struct lookup *lookup);
void lookup_clear(struct lookup *lookup);
void lookup_add(struct lookup *lookup, uint64_t key, size_t index);
void lookup_sort(struct lookup *lookup);
struct lookup_found lookup_find(const struct lookup *lookup, uint64_t key);

#endif
