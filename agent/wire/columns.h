/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_COLUMNS_H
#define WIRE_COLUMNS_H

#include <bothends/fault.h>
#include <bothends/kind.h>
#include <bothends/rows.h>
#include <jansson.h>

/*
 * Samples travel as columns of differences, which deflate well:
 *
 *   {"rows": 3, "columns": {
 *       "at_ns":  {"unit": 1000, "differences": [812000, 40, 41]},
 *       "end_ns": {"over": "at_ns", "differences": [7, 0, 2]},
 *       "name":   ["cubic", "cubic", "cubic"] }}
 *
 * Value i of a whole-number column (flags and choices too) is unit (1 where it
 * is not said) times the sum of differences 0 to i; "over" adds the value of
 * an earlier column in the same row: two stamps of one probe are told once.
 * Columns of zeros are left out, but for the first, which shows that there are
 * as many rows as stated.
 */
#define COLUMNS_ROWS_MAX 20000000

/* Gives a new reference. */
int columns_encode(const struct series *series, const struct rows *rows,
                   json_t **ret_json, struct fault *fault);
/* Appends to rows (row_size set by the caller). */
int columns_decode(const struct series *series, const json_t *json,
                   struct rows *rows, struct fault *fault);

#endif
