/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_JSON_SCHEMA_H
#define SUPPORT_JSON_SCHEMA_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/*
 * Holds a JSON value against a JSON Schema (draft 2020-12), as far as our own
 * schemas go: type, properties, required, additionalProperties: false, items,
 * enum, const, minimum, maximum, minLength, pattern, anyOf, allOf, if, then,
 * and $ref into $defs.  A keyword that is not known here is a mistake, so that
 * nothing in a schema goes unchecked.
 */
#define SCHEMA_WHY_SIZE 400

/* false: where and why not, as "/findings/3/unit: ...". */
bool schema_holds(const json_t *schema, const json_t *value,
                  char ret_why[SCHEMA_WHY_SIZE]);

#endif
