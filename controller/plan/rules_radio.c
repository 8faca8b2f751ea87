/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * What contradicts what among the keys of the radio, its site and its path.
 */
#include "controller/plan/reading.h"

#include "controller/quantity.h"

#include <bothends/position.h>
#include <string.h>

static const struct path link_path = { NULL, "link" };
static const struct path steps_path = { NULL, "steps" };
static const struct path ends_path = { NULL, "ends" };

/* The value of "a.b" or "a", or the mapping where it is not said. */
static const yaml_node_t *place_of(struct reading *reading,
                                   const yaml_node_t *mapping, const char *key)
{
    const char *dot = strchr(key, '.');
    char outer[NAME_SIZE];

    (void) snprintf(outer, sizeof(outer), "%.*s",
                    dot ? (int) (dot - key) : (int) sizeof(outer) - 1, key);
    const yaml_node_t *value = walk_value(&reading->walk, mapping, outer);
    if (value && dot && walk_value(&reading->walk, value, dot + 1))
        value = walk_value(&reading->walk, value, dot + 1);
    return value ? value : mapping;
}

static void check_guard(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;
    char guard[80], overhead[80];

    if (!range_is_said(link->guard_ns)
        || link->guard_ns.low <= link->slot_overhead_ns.high)
        return;
    quantity_show_range(UNIT_DURATION, link->guard_ns, guard, sizeof(guard));
    quantity_show_range(UNIT_DURATION, link->slot_overhead_ns, overhead,
                        sizeof(overhead));
    walk_mistake(&reading->walk, place_of(reading, reading->link, "guard"),
                 &link_path, "guard", guard,
                 "at most the slot_overhead of %s, of which it is a part",
                 overhead);
}

/* --- steps -------------------------------------------------------------- */

static void object_to_step(struct reading *reading, size_t step,
                           const char *key, const char *found,
                           const char *expected)
{
    walk_mistake(&reading->walk, place_of(reading, reading->steps[step], key),
                 &steps_path, key, found, "%s", expected);
}

static void check_modulation(struct reading *reading, size_t index)
{
    const struct plan_step *step = &reading->plan->steps[index];
    const bool is_linear = step->modulation == MODULATION_PSK
                           || step->modulation == MODULATION_QAM;
    char found[64];

    if (step->modulation == MODULATION_MSK && step->levels > 2)
        object_to_step(reading, index, "modulation", "msk with levels above 2",
                       "fsk (msk has two)");
    if (!isnan(step->deviation_hz) && is_linear) {
        (void) snprintf(found, sizeof(found), "a deviation with %s",
                        modulations[step->modulation]);
        object_to_step(reading, index, "deviation", found,
                       "one only with fsk (psk and qam keep their frequency)");
    }
    if (!isnan(step->roll_off_ratio) && !is_linear) {
        (void) snprintf(found, sizeof(found), "roll_off with modulation %s",
                        modulations[step->modulation]);
        object_to_step(reading, index, "roll_off", found,
                       "modulation: psk or qam, or no roll_off");
    }
}

/* --- ends --------------------------------------------------------------- */

static void object_to_end(struct reading *reading, size_t end, const char *key,
                          const char *found, const char *expected)
{
    const struct path path = { &ends_path, reading->plan->ends[end].name };

    walk_mistake(&reading->walk, place_of(reading, reading->ends[end], key),
                 &path, key, found, "%s", expected);
}

static void check_position(struct reading *reading, size_t index)
{
    const struct plan_end *end = &reading->plan->ends[index];
    struct position position;
    char found[80];

    if (!end->position[0] || position_read(end->position, &position))
        return;
    quantity_quote(end->position, found, sizeof(found));
    object_to_end(reading, index, "position", found,
                  "a grid locator such as IJ50kd, or latitude and longitude "
                  "such as \"50.125 N, 30.25 W\"");
}

/* What belongs to the way from a station to the hub. */
static void check_way(struct reading *reading, size_t index)
{
    const struct plan_end *end = &reading->plan->ends[index];
    const bool has_place = !isnan(end->obstacle_distance_m);
    const bool has_height = !isnan(end->obstacle_height_m);

    if (end->role == ROLE_HUB && !isnan(end->distance_m))
        object_to_end(reading, index, "distance", "distance at the hub",
                      "it at the stations (their way to the hub)");
    if (end->role == ROLE_HUB && (has_place || has_height))
        object_to_end(reading, index, "obstacle", "an obstacle at the hub",
                      "it at the station whose way it stands in");
    else if (has_place != has_height)
        object_to_end(reading, index, "obstacle",
                      has_place ? "distance without height"
                                : "height without distance",
                      "both, or neither");
}

void reading_check_radio(struct reading *reading)
{
    if (reading->link && reading->is_link_sound)
        check_guard(reading);
    for (size_t i = 0; i < reading->plan->step_count; i++) {
        if (reading->is_step_sound[i])
            check_modulation(reading, i);
    }
    for (size_t i = 0; i < reading->plan->end_count; i++) {
        if (!reading->is_end_sound[i])
            continue;
        check_position(reading, i);
        check_way(reading, i);
    }
}
