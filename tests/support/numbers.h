/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_NUMBERS_H
#define SUPPORT_NUMBERS_H

#include <jansson.h>
#include <stddef.h>

/*
 * Every number that a report or a newsletter tells of a finding is the one in
 * results.json, rounded to the digits that are printed: tables by their
 * headings, sentences and titles of charts by their words.
 */
#define NUMBERS_OBJECTION_SIZE 1200

struct numbers_found {
    size_t checked_count;                   /* numbers that were compared */
    char objection[NUMBERS_OBJECTION_SIZE]; /* the first one; "": none */
};

void numbers_check(const char *text, const json_t *findings,
                   struct numbers_found *ret_found);

#endif
