/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_NUMBERS_INSIDE_H
#define SUPPORT_NUMBERS_INSIDE_H

#include "tests/support/numbers.h"
#include "tests/support/told.h"

#include <bothends/fields.h>

/* What the parts of the check have in common: numbers.c walks the text,
 * numbers_tables.c and numbers_sentences.c look at its lines. */
#define CELLS_MOST 16
#define CELL_SIZE  400

struct checking {
    const json_t *findings;
    char heads[CELLS_MOST][CELL_SIZE], cells[CELLS_MOST][CELL_SIZE];
    size_t head_count, cell_count;
    char step[CELL_SIZE], from[CELL_SIZE], to[CELL_SIZE]; /* of the row */
    size_t checked_count;
    char objection[NUMBERS_OBJECTION_SIZE]; /* the first one; "": none */
};

/* The first objection stays. */
void numbers_object(struct checking *checking, const char *what,
                    const char *text);
/* Without the escapes that keep it from acting as markdown; its length. */
size_t numbers_unescape(const char *text, size_t length, char *ret_text,
                        size_t size);
/* "quay → mill, beside 6 × ping" */
void numbers_split_way(const char *way, char from[CELL_SIZE],
                       char to[CELL_SIZE]);
/* The middle of what was expected. */
double numbers_middle(const json_t *finding);

/* The text between two words; gives the second one's place, NULL: they are not
 * there. */
const char *numbers_between(const char *text, const char *before,
                            const char *after, char ret_text[CELL_SIZE]);
/* The number that the text begins with, in that unit, against what is in hand
 * (step, from, to; "": any).  member: of results.json, or "share" (of the
 * middle of what was expected), "hits" (of the samples), "half width" (of the
 * interval).  digits: significant ones, 0: as printed. */
void numbers_check_number(struct checking *checking, const char *text,
                          const char *measure, const char *member, double unit,
                          int digits);

/* The row in cells, under heads; a sentence or a picture's line. */
void numbers_check_row(struct checking *checking);
void numbers_check_sentence(struct checking *checking, const char *line);
/* "- Between quay and mill on calm: ...", of stamped packets. */
void numbers_check_each_way(struct checking *checking, const char *line);

#endif
