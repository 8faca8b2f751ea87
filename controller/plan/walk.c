/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/walk.h"

#include "controller/plan/reasons.h"
#include "controller/quantity.h"
#include "controller/text.h"

#include <assert.h>
#include <stdarg.h>
#include <string.h>

#define MISTAKES_MAX 200 /* nobody reads more */
#define QUOTED_SIZE  80
#define PAIRS_MAX    1000 /* keys of one mapping */

/* One mapping being read: the level of dots that it stands for. */
struct mapping_walk {
    struct walk *walk;
    const struct field_list *list;
    void *record;
    bool *said;
    const char *prefix; /* "" or "frame." */
};

void walk_mistake_at(struct walk *walk, const yaml_mark_t *mark,
                     const char *key, const char *found, const char *expected)
{
    if (walk->mistakes.count == MISTAKES_MAX)
        return;
    struct plan_mistake *mistake = rows_add(&walk->mistakes);

    mistake->line = (int) mark->line + 1;
    mistake->column = (int) mark->column + 1;
    (void) snprintf(mistake->key, sizeof(mistake->key), "%s", key);
    (void) snprintf(mistake->found, sizeof(mistake->found), "%s", found);
    (void) snprintf(mistake->expected, sizeof(mistake->expected), "%s",
                    expected);
    text_trim_cut(mistake->found);
    text_trim_cut(mistake->expected);
}

/* "link.frame.payload"; items of lists are told apart by their line. */
static size_t write_path(const struct path *path, char *text, size_t size)
{
    if (!path)
        return 0;
    size_t used = write_path(path->outer, text, size);
    const char *dot = used && path->word[0] ? "." : "";
    if (used < size)
        used += (size_t) snprintf(text + used, size - used, "%s%s", dot,
                                  path->word);
    return used;
}

void walk_mistake(struct walk *walk, const yaml_node_t *node,
                  const struct path *path, const char *key, const char *found,
                  const char *expected_format, ...)
{
    const struct path inner = { path, key };
    char place[sizeof(((struct plan_mistake *) 0)->key)] = "";
    char expected[sizeof(((struct plan_mistake *) 0)->expected)];
    va_list arguments;

    (void) write_path(key ? &inner : path, place, sizeof(place));
    va_start(arguments, expected_format);
    (void) vsnprintf(expected, sizeof(expected), expected_format, arguments);
    va_end(arguments);
    walk_mistake_at(walk, &node->start_mark, place, found, expected);
}

static bool is_nothing(const yaml_node_t *node)
{
    const char *text = (const char *) node->data.scalar.value;

    if (node->type != YAML_SCALAR_NODE)
        return node->type == YAML_NO_NODE;
    return node->data.scalar.length == 0
           || (node->data.scalar.style == YAML_PLAIN_SCALAR_STYLE
               && (strcmp(text, "~") == 0 || strcmp(text, "null") == 0));
}

void walk_describe(const yaml_node_t *node, char *ret_text, size_t size)
{
    const char *what = "nothing";

    if (node->type == YAML_SCALAR_NODE && !is_nothing(node)) {
        const char *text = (const char *) node->data.scalar.value;

        if (strlen(text) == node->data.scalar.length) {
            quantity_quote(text, ret_text, size);
            return;
        }
        what = "text with a NUL character";
    } else if (node->type == YAML_SEQUENCE_NODE) {
        const bool is_empty =
            node->data.sequence.items.start == node->data.sequence.items.top;

        what = is_empty ? "an empty list" : "a list";
    } else if (node->type == YAML_MAPPING_NODE) {
        what = walk_pair(node, 0) ? "a mapping of keys" : "an empty mapping";
    }
    (void) snprintf(ret_text, size, "%s", what);
}

yaml_node_t *walk_node(struct walk *walk, int index)
{
    return yaml_document_get_node(&walk->document, index);
}

const yaml_node_pair_t *walk_pair(const yaml_node_t *mapping, size_t i)
{
    const yaml_node_pair_t *pair = mapping->data.mapping.pairs.start + i;

    return pair < mapping->data.mapping.pairs.top ? pair : NULL;
}

yaml_node_t *walk_item(struct walk *walk, const yaml_node_t *list, size_t i)
{
    const yaml_node_item_t *item = list->data.sequence.items.start + i;

    return item < list->data.sequence.items.top ? walk_node(walk, *item) : NULL;
}

static const char *key_text(struct walk *walk, const yaml_node_pair_t *pair)
{
    const yaml_node_t *key = walk_node(walk, pair->key);

    return key->type == YAML_SCALAR_NODE ? (const char *) key->data.scalar.value
                                         : NULL;
}

yaml_node_t *walk_value(struct walk *walk, const yaml_node_t *mapping,
                        const char *key)
{
    const yaml_node_pair_t *pair;

    for (size_t i = 0; (pair = walk_pair(mapping, i)) != NULL; i++) {
        const char *text = key_text(walk, pair);

        if (text && strcmp(text, key) == 0)
            return walk_node(walk, pair->value);
    }
    return NULL;
}

static void refuse_node(struct walk *walk, const yaml_node_t *node,
                        const struct path *path, const char *expected)
{
    char found[sizeof(((struct plan_mistake *) 0)->found)];

    walk_describe(node, found, sizeof(found));
    walk_mistake(walk, node, path, NULL, found, "%s", expected);
}

static bool has_key_before(struct walk *walk, const yaml_node_t *mapping,
                           const yaml_node_pair_t *end, const char *text,
                           int *ret_line)
{
    for (const yaml_node_pair_t *pair = mapping->data.mapping.pairs.start;
         pair < end; pair++) {
        const char *other = key_text(walk, pair);

        if (other && strcmp(other, text) == 0) {
            *ret_line = (int) walk_node(walk, pair->key)->start_mark.line + 1;
            return true;
        }
    }
    return false;
}

static void check_key(struct walk *walk, const yaml_node_t *mapping,
                      const yaml_node_pair_t *pair, const struct path *path)
{
    const yaml_node_t *key = walk_node(walk, pair->key);
    const char *text = key_text(walk, pair);
    char quoted[sizeof(((struct plan_mistake *) 0)->found)];
    int line;

    if (!text || is_nothing(key)) {
        refuse_node(walk, key, path, "a key");
        return;
    }
    quantity_quote(text, quoted, sizeof(quoted));
    if (strlen(text) != key->data.scalar.length)
        walk_mistake(walk, key, path, NULL, quoted,
                     "a key without control characters");
    else if (has_key_before(walk, mapping, pair, text, &line))
        walk_mistake(walk, key, path, NULL, quoted,
                     "each key once (it stands in line %d too)", line);
}

bool walk_is_mapping(struct walk *walk, const yaml_node_t *node,
                     const struct path *path, const char *expected)
{
    if (node->type != YAML_MAPPING_NODE || !walk_pair(node, 0)) {
        refuse_node(walk, node, path, expected);
        return false;
    }
    if (walk_pair(node, PAIRS_MAX)) {
        walk_mistake(walk, node, path, NULL, "too many keys", "at most %d",
                     PAIRS_MAX);
        return false;
    }
    const yaml_node_pair_t *pair;
    for (size_t i = 0; (pair = walk_pair(node, i)) != NULL; i++)
        check_key(walk, node, pair, path);
    return true;
}

bool walk_is_list(struct walk *walk, const yaml_node_t *node,
                  const struct path *path, const char *expected)
{
    if (node->type == YAML_SEQUENCE_NODE && walk_item(walk, node, 0))
        return true;
    refuse_node(walk, node, path, expected);
    return false;
}

const char *walk_scalar(struct walk *walk, const yaml_node_t *node,
                        const struct path *path, const char *expected)
{
    if (node->type != YAML_SCALAR_NODE || is_nothing(node)) {
        refuse_node(walk, node, path, expected);
        return NULL;
    }
    const char *text = (const char *) node->data.scalar.value;
    if (strlen(text) != node->data.scalar.length) {
        refuse_node(walk, node, path, "text without control characters");
        return NULL;
    }
    return text;
}

static void read_field(const struct mapping_walk *reading,
                       const yaml_node_t *value, const struct path *path,
                       size_t row)
{
    const struct field *field = &reading->list->fields[row];
    struct complaint complaint;
    char expected[sizeof(complaint.expected)];

    reading->said[row] = true;
    quantity_describe(field, expected, sizeof(expected));
    const char *text = walk_scalar(reading->walk, value, path, expected);
    if (!text || quantity_read(field, text, reading->record, &complaint) == 0)
        return;
    const char *reason =
        complaint.beyond ? reason_beyond(field, complaint.beyond > 0) : NULL;
    walk_mistake(reading->walk, value, path, NULL, complaint.found, "%s%s%s%s",
                 complaint.expected, reason ? " (" : "", reason ? reason : "",
                 reason ? ")" : "");
}

/* The part of a row's key that is said at this level, or NULL. */
static const char *key_at_level(const struct field *field, const char *prefix)
{
    const size_t length = strlen(prefix);

    if (!field->key || strncmp(field->key, prefix, length) != 0)
        return NULL;
    return field->key + length;
}

/* The keys that may stand at this level, for suggestions; dotted keys appear
 * as their first part, once. */
struct known_keys {
    char room[FIELDS_MAX][NAME_SIZE];
    const char *words[2 * FIELDS_MAX + 1];
    size_t count;
};

static void add_known(struct known_keys *known, const char *word, size_t length)
{
    char *copy = known->room[known->count % FIELDS_MAX];

    if (known->count == FIELDS_MAX)
        return;
    (void) snprintf(copy, NAME_SIZE, "%.*s", (int) length, word);
    for (size_t i = 0; i < known->count; i++) {
        if (strcmp(known->words[i], copy) == 0)
            return;
    }
    known->words[known->count++] = copy;
}

static void gather_known(const struct mapping_walk *reading,
                         struct known_keys *ret_known)
{
    const struct field_list *list = reading->list;

    memset(ret_known, 0, sizeof(*ret_known));
    for (size_t i = 0; i < list->count; i++) {
        const char *key = key_at_level(&list->fields[i], reading->prefix);

        if (key)
            add_known(ret_known, key, strcspn(key, "."));
    }
    for (size_t i = 0; list->others && !reading->prefix[0] && list->others[i];
         i++)
        add_known(ret_known, list->others[i], strlen(list->others[i]));
}

static void refuse_key(const struct mapping_walk *reading,
                       const yaml_node_t *key, const struct path *path)
{
    const char *text = (const char *) key->data.scalar.value;
    char quoted[QUOTED_SIZE];
    char found[sizeof(((struct plan_mistake *) 0)->found)];
    char all[sizeof(((struct plan_mistake *) 0)->expected)];
    struct known_keys known;

    gather_known(reading, &known);
    text_join(known.words, all, sizeof(all));
    quantity_quote(text, quoted, sizeof(quoted));
    (void) snprintf(found, sizeof(found), "unknown key %s", quoted);

    const char *nearest = text_nearest(text, known.words);
    if (nearest)
        walk_mistake(reading->walk, key, path, NULL, found,
                     "'%s' perhaps; known here: %s", nearest, all);
    else
        walk_mistake(reading->walk, key, path, NULL, found, "%s", all);
}

static bool is_other(const struct mapping_walk *reading, const char *text)
{
    const char *const *others = reading->list->others;

    for (size_t i = 0; others && !reading->prefix[0] && others[i]; i++) {
        if (strcmp(others[i], text) == 0)
            return true;
    }
    return false;
}

static void read_mapping(const struct mapping_walk *reading,
                         const yaml_node_t *mapping, const struct path *path);

/* "frame:" with keys below it, where rows are called frame.payload ... */
static bool read_nested(const struct mapping_walk *reading,
                        const yaml_node_t *value, const struct path *path,
                        const char *text)
{
    struct mapping_walk nested = *reading;
    char prefix[4 * NAME_SIZE];
    bool is_known = false;

    if (strchr(text, '.'))
        return false;
    const int length =
        snprintf(prefix, sizeof(prefix), "%s%s.", reading->prefix, text);
    if (length < 0 || (size_t) length >= sizeof(prefix))
        return false;
    for (size_t i = 0; i < reading->list->count; i++) {
        if (key_at_level(&reading->list->fields[i], prefix))
            is_known = true;
    }
    if (!is_known)
        return false;
    nested.prefix = prefix;
    if (walk_is_mapping(reading->walk, value, path, "a mapping of keys"))
        read_mapping(&nested, value, path);
    return true;
}

static void read_pair(const struct mapping_walk *reading,
                      const yaml_node_pair_t *pair, const struct path *path)
{
    const yaml_node_t *key = walk_node(reading->walk, pair->key);
    const yaml_node_t *value = walk_node(reading->walk, pair->value);
    const char *text = key_text(reading->walk, pair);

    /* Keys that are none were refused with the mapping. */
    if (!text || is_nothing(key) || strlen(text) != key->data.scalar.length
        || is_other(reading, text))
        return;

    const struct path inner = { path, text };
    for (size_t i = 0; i < reading->list->count; i++) {
        const char *row_key =
            key_at_level(&reading->list->fields[i], reading->prefix);

        if (row_key && strcmp(row_key, text) == 0 && !strchr(text, '.')) {
            read_field(reading, value, &inner, i);
            return;
        }
    }
    if (!read_nested(reading, value, &inner, text))
        refuse_key(reading, key, path);
}

static void read_mapping(const struct mapping_walk *reading,
                         const yaml_node_t *mapping, const struct path *path)
{
    const yaml_node_pair_t *pair;

    for (size_t i = 0; (pair = walk_pair(mapping, i)) != NULL; i++)
        read_pair(reading, pair, path);
}

void walk_fields(struct walk *walk, const struct path *path,
                 const yaml_node_t *mapping, const struct field_list *list,
                 void *record, bool ret_said[FIELDS_MAX])
{
    bool said[FIELDS_MAX] = { false };
    const struct mapping_walk reading = { walk, list, record, said, "" };

    assert(list->count <= FIELDS_MAX);
    read_mapping(&reading, mapping, path);
    for (size_t i = 0; i < list->count; i++) {
        const struct field *field = &list->fields[i];
        char expected[sizeof(((struct plan_mistake *) 0)->expected)];

        if (!field->key || field->preset || said[i])
            continue;
        quantity_describe(field, expected, sizeof(expected));
        walk_mistake(walk, mapping, path, field->key, "nothing", "%s",
                     expected);
    }
    if (ret_said)
        memcpy(ret_said, said, sizeof(said));
}
