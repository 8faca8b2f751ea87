/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_SCRUB_H
#define REPORTS_SCRUB_H

#include <bothends/fields.h>
#include <bothends/rows.h>
#include <stddef.h>

/*
 * Takes out of texts what a public report must not tell: addresses (IPv4, IPv6,
 * of network cards), positions (degrees, grid locators longer than is allowed),
 * and words that the caller knows.  What a person wrote in words ("the third
 * house on the left") nobody can find this way.
 */
struct scrub {
    struct rows words;                /* of struct scrub_word */
    unsigned locator_character_count; /* of a locator that may stay; 0: none */
};

void scrub_init(struct scrub *scrub, unsigned locator_character_count);
void scrub_clear(struct scrub *scrub);

/* A whole word, in any case, and what stands in its place; a word that is to
 * stay is its own.  The first one added wins.  "" is none. */
void scrub_add_word(struct scrub *scrub, const char *word, const char *instead);

/* In place; what no longer fits is cut off. */
void scrub_text(const struct scrub *scrub, char *text, size_t size);
/* Every text of a record. */
void scrub_fields(const struct scrub *scrub, const struct field *fields,
                  size_t count, void *record);

/* A position as the scrubber leaves it: its locator with so many characters;
 * "": none, or no position. */
void scrub_position(const struct scrub *scrub, char *text, size_t size);

#endif
