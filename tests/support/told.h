/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_TOLD_H
#define SUPPORT_TOLD_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/*
 * Numbers as a text tells them, held against the findings of results.json.  A
 * number equals a finding's when that, in the text's unit, rounds to it: half
 * of its last digit off at the most.
 */
struct told {
    double value;
    double half_digit; /* 0.5, 0.05 ...; of "1200" 0.5 */
    bool is_infinite;  /* "∞" */
};

/* The number at the text's begin; gives what follows, NULL: there is none. */
const char *told_read(const char *text, struct told *ret_told);

/* Of a number of significant digits instead: 47500 with 3 stands for 47450 to
 * 47550. */
void told_significant(struct told *told, int digits);

/* Does the text's number equal that one?  NaN: never. */
bool told_is(const struct told *told, double value);

/* A member of a finding as a number: "inf" is infinite, null NaN. */
double told_member(const json_t *finding, const char *member);

/* Which findings are meant.  NULL: any. */
struct told_key {
    const char *measure, *step, *from, *to;
};
/* The next one behind the index (from 0; gives it); NULL: no more. */
const json_t *told_next(const json_t *findings, const struct told_key *key,
                        size_t *index);

#endif
