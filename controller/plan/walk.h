/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_WALK_H
#define CONTROLLER_PLAN_WALK_H

#include "controller/plan/reader.h"

#include <bothends/rows.h>
#include <yaml.h>

/*
 * A walk over a YAML document by field rows.  Mistakes are gathered and the
 * walk goes on, so that one pass finds all of them.
 */
struct walk {
    yaml_document_t document;
    struct rows mistakes; /* of struct plan_mistake */
};

/* Where the walk is, from the innermost key outwards; lives on the stack. */
struct path {
    const struct path *outer; /* NULL at the top */
    const char *word;         /* "" for an item of a list */
};

/* Which place of the file a mistake is charged to. */
void walk_mistake_at(struct walk *walk, const yaml_mark_t *mark,
                     const char *key, const char *found, const char *expected);
/* ... of a node; key may be NULL, else it is added to the path. */
void walk_mistake(struct walk *walk, const yaml_node_t *node,
                  const struct path *path, const char *key, const char *found,
                  const char *expected_format, ...)
    __attribute__((format(printf, 6, 7)));

/* A mapping with at least one key, none of them twice; else a mistake. */
bool walk_is_mapping(struct walk *walk, const yaml_node_t *node,
                     const struct path *path, const char *expected);
/* A list with at least one item; else a mistake. */
bool walk_is_list(struct walk *walk, const yaml_node_t *node,
                  const struct path *path, const char *expected);
/* The text of a scalar that says something; else a mistake and NULL. */
const char *walk_scalar(struct walk *walk, const yaml_node_t *node,
                        const struct path *path, const char *expected);

/* The value of a key, or NULL. */
yaml_node_t *walk_value(struct walk *walk, const yaml_node_t *mapping,
                        const char *key);
/* Pair and item number i, or NULL behind the last. */
const yaml_node_pair_t *walk_pair(const yaml_node_t *mapping, size_t i);
yaml_node_t *walk_item(struct walk *walk, const yaml_node_t *list, size_t i);
yaml_node_t *walk_node(struct walk *walk, int index);
/* "nothing", "a list", "'text'" ... of what a node is. */
void walk_describe(const yaml_node_t *node, char *ret_text, size_t size);

#define FIELDS_MAX 48 /* most rows of a list that plans are read by */

/* The keys of a mapping that a caller reads by itself. */
struct field_list {
    const struct field *fields;
    size_t count;
    const char *const *others; /* NULL-ended; may be NULL */
};

/*
 * Read a mapping by field rows into record, which holds its presets already.
 * Keys of others are left to the caller.  ret_said tells which were said; it
 * may be NULL.
 */
void walk_fields(struct walk *walk, const struct path *path,
                 const yaml_node_t *mapping, const struct field_list *list,
                 void *record, bool ret_said[FIELDS_MAX]);

#endif
