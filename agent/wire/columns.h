/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_COLUMNS_H
#define WIRE_COLUMNS_H

#include <bothends/fault.h>
#include <bothends/kind.h>
#include <bothends/rows.h>
#include <jansson.h>

/*
 * Samples travel as columns of differences, which deflate well:
 * {"rows": N, "columns": {"at_ns": {"unit": 1000, "differences": [...]}, ...}}
 */
#define COLUMNS_ROWS_MAX 20000000

/* Gives a new reference. */
int columns_encode(const struct series *series, const struct rows *rows,
                   json_t **ret_json, struct fault *fault);
/* Appends to rows (row_size set by the caller). */
int columns_decode(const struct series *series, const json_t *json,
                   struct rows *rows, struct fault *fault);

#endif
