/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reading.h"

#include "controller/quantity.h"
#include "controller/text.h"

#include <string.h>

#define EXCHANGES_MAX 1000 /* in one plan */

static const char exchange_example[] =
    "an exchange such as ping: {from: END, to: END, count: 40}";

static const char *const from_and_to[] = { "from", "to", NULL };
static const char *const between[] = { "between", NULL };

static void refuse_kind(struct reading *reading, const yaml_node_t *key,
                        const struct path *path, bool is_in_group)
{
    const char *names[COUNT_OF(exchange_kinds) + 2];
    char found[sizeof(((struct plan_mistake *) 0)->found)];
    char quoted[80], all[160];
    size_t count = 0;

    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++)
        names[count++] = exchange_kinds[i]->name;
    if (!is_in_group)
        names[count++] = "together";
    names[count] = NULL;
    text_join(names, all, sizeof(all));
    quantity_quote((const char *) key->data.scalar.value, quoted,
                   sizeof(quoted));
    (void) snprintf(found, sizeof(found), "unknown kind of exchange %s",
                    quoted);

    const char *nearest =
        text_nearest((const char *) key->data.scalar.value, names);
    if (nearest)
        walk_mistake(&reading->walk, key, path, NULL, found,
                     "'%s' perhaps; known here: %s", nearest, all);
    else
        walk_mistake(&reading->walk, key, path, NULL, found, "%s", all);
}

/* A host of which the plan knows only the address.  A single label is far more
 * often a mistyped end than a host in the local domain. */
static bool is_foreign_host(const char *text)
{
    const enum address_family family = text_address_family(text);

    return family != ADDRESS_NONE && text_is_one_host(text)
           && strlen(text) < ADDRESS_SIZE
           && (family != ADDRESS_HOST_NAME || strchr(text, '.'));
}

static void refuse_end(struct reading *reading, const yaml_node_t *value,
                       const struct path *path, const char *text,
                       bool may_be_host)
{
    char found[80], all[160], expected[256];
    const char *names[PLAN_ENDS_MAX + 1] = { NULL };
    const struct plan *plan = reading->plan;

    for (size_t i = 0; i < plan->end_count; i++)
        names[i] = plan->ends[i].name;
    quantity_quote(text, found, sizeof(found));
    reading_list_ends(plan, all, sizeof(all));

    const char *nearest = text_nearest(text, names);
    if (nearest)
        (void) snprintf(expected, sizeof(expected),
                        "'%s' perhaps; known ends: %s", nearest, all);
    else
        (void) snprintf(expected, sizeof(expected), "an end: %s%s", all,
                        may_be_host ? ", or the address of a host" : "");
    walk_mistake(&reading->walk, value, path, NULL, found, "%s", expected);
}

/* "the name of an end: hilltop, boathouse" */
static void expect_end(const struct plan *plan, char *ret_text, size_t size)
{
    char all[160];

    reading_list_ends(plan, all, sizeof(all));
    (void) snprintf(ret_text, size, "the name of an end%s%s",
                    all[0] ? ": " : "", all);
}

/* Gives the end's index, or -1 for a host. */
static bool read_end(struct reading *reading, const yaml_node_t *value,
                     const struct path *path, bool may_be_host, char *ret_name,
                     int *ret_end)
{
    char expected[200];

    expect_end(reading->plan, expected, sizeof(expected));
    const char *text = walk_scalar(&reading->walk, value, path, expected);
    if (!text)
        return false;
    *ret_end = reading_find_end(reading->plan, text);
    if (*ret_end < 0 && !(may_be_host && is_foreign_host(text))) {
        /* Without ends there is a mistake already, and no name is right. */
        if (reading->plan->end_count > 0)
            refuse_end(reading, value, path, text, may_be_host);
        return false;
    }
    (void) snprintf(ret_name, ADDRESS_SIZE, "%s", text);
    return true;
}

/* Read from or to. */
static bool read_partner(struct reading *reading, const yaml_node_t *mapping,
                         const struct path *path, const char *key,
                         bool may_be_host, char *ret_name, int *ret_end)
{
    const struct path inner = { path, key };
    const yaml_node_t *value = walk_value(&reading->walk, mapping, key);
    char expected[200];

    if (!value) {
        expect_end(reading->plan, expected, sizeof(expected));
        walk_mistake(&reading->walk, mapping, &inner, NULL, "nothing", "%s",
                     expected);
        return false;
    }
    return read_end(reading, value, &inner, may_be_host, ret_name, ret_end);
}

/* between: [FIRST, SECOND] */
static bool read_between(struct reading *reading, const yaml_node_t *mapping,
                         const struct path *path,
                         struct plan_exchange *exchange)
{
    static const char two_ends[] = "two ends, such as [hilltop, boathouse]";
    const struct path inner = { path, "between" };
    const yaml_node_t *list = walk_value(&reading->walk, mapping, "between");

    if (!list) {
        walk_mistake(&reading->walk, mapping, &inner, NULL, "nothing", "%s",
                     two_ends);
        return false;
    }
    if (!walk_is_list(&reading->walk, list, &inner, two_ends))
        return false;
    const yaml_node_t *first = walk_item(&reading->walk, list, 0);
    const yaml_node_t *second = walk_item(&reading->walk, list, 1);
    if (!first || !second || walk_item(&reading->walk, list, 2)) {
        walk_mistake(&reading->walk, list, &inner, NULL,
                     second ? "more than two ends" : "fewer than two ends",
                     "%s", two_ends);
        return false;
    }
    const bool has_first = read_end(reading, first, &inner, false,
                                    exchange->from, &exchange->from_end);
    const bool has_second = read_end(reading, second, &inner, false,
                                     exchange->to, &exchange->to_end);
    return has_first && has_second;
}

/* "found X, expected Y" as a kind says it, split for the mistake. */
static void note_objection(struct reading *reading, const yaml_node_t *mapping,
                           const struct path *path, const char *objection)
{
    static const char found_word[] = "found ", joint[] = ", expected ";
    const char *found = objection;
    const char *split = strstr(objection, joint);
    char found_text[sizeof(((struct plan_mistake *) 0)->found)];

    if (strncmp(found, found_word, strlen(found_word)) == 0)
        found += strlen(found_word);
    (void) snprintf(found_text, sizeof(found_text), "%.*s",
                    (int) (split ? split - found : (long) strlen(found)),
                    found);
    walk_mistake(&reading->walk, mapping, path, NULL, found_text, "%s",
                 split ? split + strlen(joint) : "no contradiction");
}

/* A spec that names a host itself leaves no room for from. */
static bool read_from_host(struct reading *reading, const yaml_node_t *mapping,
                           const struct path *path,
                           struct plan_exchange *exchange)
{
    const struct kind *kind = exchange->kind;
    const struct path inner = { path, "from" };

    if (!kind->from_host
        || !kind->from_host(exchange->spec.bytes, exchange->from,
                            sizeof(exchange->from)))
        return false;
    exchange->from_end = -1;
    const yaml_node_t *from = walk_value(&reading->walk, mapping, "from");
    if (from)
        walk_mistake(&reading->walk, from, &inner, NULL, "from beside a url",
                     "one of them");
    return true;
}

static void read_partners(struct reading *reading, const yaml_node_t *mapping,
                          const struct path *path,
                          struct plan_exchange *exchange)
{
    if (exchange->kind->uses_between) {
        if (read_between(reading, mapping, path, exchange)
            && strcmp(exchange->from, exchange->to) == 0)
            walk_mistake(&reading->walk, mapping, path, NULL,
                         "the same end twice in between", "two different ends");
        return;
    }
    const bool has_from = read_from_host(reading, mapping, path, exchange)
                          || read_partner(reading, mapping, path, "from", false,
                                          exchange->from, &exchange->from_end);
    const bool has_to = read_partner(reading, mapping, path, "to",
                                     exchange->kind->to_may_be_host,
                                     exchange->to, &exchange->to_end);

    if (has_from && has_to && strcmp(exchange->from, exchange->to) == 0)
        walk_mistake(&reading->walk, mapping, path, NULL,
                     "the same end in from and to", "two different ends");
}

static void read_exchange(struct reading *reading, const struct kind *kind,
                          const yaml_node_t *mapping, const struct path *path)
{
    const struct field_list list = { kind->spec_fields, kind->spec_field_count,
                                     kind->uses_between ? between
                                                        : from_and_to };
    struct plan_exchange exchange = { .kind = kind };

    if (!walk_is_mapping(&reading->walk, mapping, path,
                         kind->uses_between
                             ? "a mapping such as {between: [END, END]}"
                             : "a mapping such as {from: END, to: END}"))
        return;
    exchange.line = (int) mapping->start_mark.line + 1;
    quantity_preset_all(kind->spec_fields, kind->spec_field_count,
                        exchange.spec.bytes);

    const size_t before = reading->walk.mistakes.count;
    walk_fields(&reading->walk, path, mapping, &list, exchange.spec.bytes,
                NULL);
    const bool is_sound = reading->walk.mistakes.count == before;
    read_partners(reading, mapping, path, &exchange);
    const char *objection = is_sound && kind->objection
                                ? kind->objection(exchange.spec.bytes)
                                : NULL;
    if (objection)
        note_objection(reading, mapping, path, objection);

    struct plan_exchange *kept = rows_add(&reading->exchanges);
    *kept = exchange;
}

/* An item is a mapping of one key: the kind, or together. */
static const yaml_node_pair_t *only_pair(struct reading *reading,
                                         const yaml_node_t *item,
                                         const struct path *path)
{
    if (!walk_is_mapping(&reading->walk, item, path, exchange_example))
        return NULL;
    const yaml_node_pair_t *second = walk_pair(item, 1);
    if (second) {
        walk_mistake(&reading->walk, walk_node(&reading->walk, second->key),
                     path, NULL, "a second key in one item",
                     "one exchange an item (begin it with '- ')");
        return NULL;
    }
    const yaml_node_pair_t *pair = walk_pair(item, 0);
    const yaml_node_t *key = walk_node(&reading->walk, pair->key);
    return key->type == YAML_SCALAR_NODE ? pair : NULL;
}

static void read_one(struct reading *reading, const yaml_node_t *key,
                     const yaml_node_t *value, const struct path *path,
                     bool is_in_group)
{
    const char *name = (const char *) key->data.scalar.value;
    const struct kind *kind = kind_by_name(name);
    const struct path inner = { path, name };

    if (kind)
        read_exchange(reading, kind, value, &inner);
    else
        refuse_kind(reading, key, path, is_in_group);
}

static void add_group(struct reading *reading, size_t first)
{
    if (reading->exchanges.count == first)
        return;
    struct plan_group *group = rows_add(&reading->groups);

    group->first = first;
    group->count = reading->exchanges.count - first;
}

static void read_together(struct reading *reading, const yaml_node_t *list,
                          const struct path *outer)
{
    const struct path path = { outer, "together" };
    const size_t first = reading->exchanges.count;
    const yaml_node_t *item;

    if (!walk_is_list(&reading->walk, list, &path,
                      "a list of exchanges that run at once"))
        return;
    if (walk_item(&reading->walk, list, PLAN_GROUP_MAX)) {
        walk_mistake(&reading->walk, list, &path, NULL, "too many exchanges",
                     "at most %d at once", PLAN_GROUP_MAX);
        return;
    }
    for (size_t i = 0; (item = walk_item(&reading->walk, list, i)) != NULL;
         i++) {
        const yaml_node_pair_t *pair = only_pair(reading, item, &path);

        if (pair)
            read_one(reading, walk_node(&reading->walk, pair->key),
                     walk_node(&reading->walk, pair->value), &path, true);
    }
    add_group(reading, first);
}

static void read_item(struct reading *reading, const yaml_node_t *item,
                      const struct path *path)
{
    const yaml_node_pair_t *pair = only_pair(reading, item, path);

    if (!pair)
        return;
    const yaml_node_t *key = walk_node(&reading->walk, pair->key);
    const yaml_node_t *value = walk_node(&reading->walk, pair->value);
    if (strcmp((const char *) key->data.scalar.value, "together") == 0) {
        read_together(reading, value, path);
    } else {
        const size_t first = reading->exchanges.count;

        read_one(reading, key, value, path, false);
        add_group(reading, first);
    }
}

void reading_sequence(struct reading *reading)
{
    const struct path path = { NULL, "sequence" };
    const yaml_node_t *list =
        walk_value(&reading->walk, reading->root, "sequence");
    const yaml_node_t *item;

    if (!list) {
        walk_mistake(&reading->walk, reading->root, &path, NULL, "nothing",
                     "a list of exchanges");
        return;
    }
    if (!walk_is_list(&reading->walk, list, &path, "a list of exchanges"))
        return;
    for (size_t i = 0; (item = walk_item(&reading->walk, list, i)) != NULL;
         i++) {
        if (reading->exchanges.count >= EXCHANGES_MAX) {
            walk_mistake(&reading->walk, item, &path, NULL,
                         "too many exchanges", "at most %d", EXCHANGES_MAX);
            return;
        }
        read_item(reading, item, &path);
    }
}
