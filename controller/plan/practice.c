/* SPDX-License-Identifier: GPL-3.0-or-later */

/* What a plan says of the practice link. */
#include "controller/plan/event.h"
#include "controller/plan/reading.h"
#include "controller/quantity.h"

#include <string.h>

static const struct path practice_path = { NULL, "practice" };

static const char *const own_keys[] = { "ends", "events", NULL };
static const char *const no_keys[] = { NULL };

/* --- ends ----------------------------------------------------------------- */

static void check_end(struct reading *reading, const yaml_node_t *node,
                      const struct path *path, size_t end,
                      const bool said[FIELDS_MAX])
{
    const struct plan_practice_end *own = &reading->plan->practice.ends[end];

    if (own->is_translated && reading->plan->ends[end].role == ROLE_HUB)
        walk_mistake(&reading->walk,
                     reading_place(reading, node, "translation"), path,
                     "translation", "yes at the hub",
                     "no (stations open their connections to it)");
    if (plan_has_agent(reading->plan, (int) end))
        return;
    for (size_t i = 0; i < COUNT_OF(practice_end_fields); i++) {
        const char *key = practice_end_fields[i].key;
        char found[64];

        if (!said[i] || strncmp(key, "clock", strlen("clock")) != 0)
            continue;
        (void) snprintf(found, sizeof(found), "%s with agent: no", key);
        walk_mistake(&reading->walk, reading_place(reading, node, key), path,
                     key, found,
                     "an end with an agent (it is the agent that sees "
                     "the clock)");
    }
}

static void read_end(struct reading *reading, const yaml_node_pair_t *pair,
                     const struct path *path)
{
    const struct field_list list = { practice_end_fields,
                                     COUNT_OF(practice_end_fields), no_keys };
    const yaml_node_t *key = walk_node(&reading->walk, pair->key);
    const yaml_node_t *value = walk_node(&reading->walk, pair->value);
    const size_t before = reading->walk.mistakes.count;
    bool said[FIELDS_MAX] = { false };
    char found[80], expected[256];

    if (key->type != YAML_SCALAR_NODE)
        return;
    const char *name = (const char *) key->data.scalar.value;
    const int end = event_find_end(reading->plan, name);
    if (end < 0) {
        if (reading->plan->end_count == 0)
            return;
        quantity_quote(name, found, sizeof(found));
        event_expect_end(reading->plan, name, expected, sizeof(expected));
        walk_mistake(&reading->walk, key, path, NULL, found, "%s", expected);
        return;
    }
    const struct path inner = { path, name };
    if (walk_is_mapping(&reading->walk, value, &inner, "a mapping of keys"))
        walk_fields(&reading->walk, &inner, value, &list,
                    &reading->plan->practice.ends[end], said);
    if (reading->walk.mistakes.count == before)
        check_end(reading, value, &inner, (size_t) end, said);
}

static void read_ends(struct reading *reading, const yaml_node_t *mapping)
{
    const struct path path = { &practice_path, "ends" };
    const yaml_node_pair_t *pair;

    if (!walk_is_mapping(&reading->walk, mapping, &path,
                         "ends of this plan by name, such as "
                         "skerry: {clock_offset: 2 s}"))
        return;
    for (size_t i = 0; (pair = walk_pair(mapping, i)) != NULL; i++)
        read_end(reading, pair, &path);
}

/* --- events --------------------------------------------------------------- */

static void read_event(struct reading *reading, const yaml_node_t *item,
                       const struct path *path)
{
    const struct field_list list = { plan_event_fields,
                                     COUNT_OF(plan_event_fields), no_keys };
    struct plan_practice *practice = &reading->plan->practice;
    struct plan_event *event = &practice->events[practice->event_count++];
    const size_t before = reading->walk.mistakes.count;
    bool said[FIELDS_MAX] = { false };
    struct event_mistake mistake;

    quantity_preset_all(plan_event_fields, COUNT_OF(plan_event_fields), event);
    if (walk_is_mapping(&reading->walk, item, path,
                        "an event such as {at: 20 s, for: 5 s, what: outage}"))
        walk_fields(&reading->walk, path, item, &list, event, said);
    if (reading->walk.mistakes.count != before
        || event_is_right(reading->plan, event, said, &mistake))
        return;
    walk_mistake(&reading->walk, reading_place(reading, item, mistake.key),
                 path, mistake.key, mistake.found, "%s", mistake.expected);
}

static void read_events(struct reading *reading, const yaml_node_t *list)
{
    const struct path path = { &practice_path, "events" };
    const yaml_node_t *item;

    if (!walk_is_list(&reading->walk, list, &path,
                      "a list of events such as - {at: 20 s, for: 5 s, what: "
                      "outage}"))
        return;
    for (size_t i = 0; (item = walk_item(&reading->walk, list, i)) != NULL;
         i++) {
        if (i == PLAN_EVENTS_MAX) {
            walk_mistake(&reading->walk, item, &path, NULL, "too many events",
                         "at most %d", PLAN_EVENTS_MAX);
            return;
        }
        read_event(reading, item, &path);
    }
}

/* --- all of it ------------------------------------------------------------ */

static void check_loss(struct reading *reading, const yaml_node_t *node)
{
    const struct plan_faults *faults = &reading->plan->practice.faults;
    const struct path path = { &practice_path, "loss" };
    const yaml_node_t *loss = walk_value(&reading->walk, node, "loss");
    struct event_mistake mistake;

    if (loss && !event_loss_is_right(faults, &mistake))
        walk_mistake(&reading->walk, reading_place(reading, loss, mistake.key),
                     &path, mistake.key, mistake.found, "%s", mistake.expected);
}

static void preset_all(struct plan_practice *practice)
{
    quantity_preset_all(practice_fields, COUNT_OF(practice_fields), practice);
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        quantity_preset_all(practice_end_fields, COUNT_OF(practice_end_fields),
                            &practice->ends[i]);
}

void reading_practice(struct reading *reading)
{
    const struct field_list list = { practice_fields, COUNT_OF(practice_fields),
                                     own_keys };
    const yaml_node_t *node =
        walk_value(&reading->walk, reading->root, "practice");
    const size_t before = reading->walk.mistakes.count;

    preset_all(&reading->plan->practice);
    if (!node
        || !walk_is_mapping(&reading->walk, node, &practice_path,
                            "a mapping of keys"))
        return;
    walk_fields(&reading->walk, &practice_path, node, &list,
                &reading->plan->practice, NULL);
    if (reading->walk.mistakes.count == before)
        check_loss(reading, node);

    const yaml_node_t *ends = walk_value(&reading->walk, node, "ends");
    const yaml_node_t *events = walk_value(&reading->walk, node, "events");
    if (ends)
        read_ends(reading, ends);
    if (events)
        read_events(reading, events);
}
