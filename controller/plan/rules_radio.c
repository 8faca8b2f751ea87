/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * What contradicts what among the keys of the radio, its site and its path.
 */
#include "controller/plan/reading.h"

#include "controller/quantity.h"

#include <bothends/position.h>
#include <math.h>

/* An IP packet is longer than its header (IPv4, RFC 791). */
#define IP_HEADER_LEAST_BYTES 20

static const struct path link_path = { NULL, "link" };
static const struct path steps_path = { NULL, "steps" };
static const struct path ends_path = { NULL, "ends" };

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
    walk_mistake(&reading->walk, reading_place(reading, reading->link, "guard"),
                 &link_path, "guard", guard,
                 "at most the slot_overhead of %s, of which it is a part",
                 overhead);
}

/* On the accesses that could do without a limit. */
static void check_fixed(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;

    if (link->slots != SLOTS_FIXED || range_is_said(link->slot_limit_ns)
        || link->access == ACCESS_SCHEDULED
        || link->access == ACCESS_CONTENTION)
        return;
    walk_mistake(&reading->walk, reading_place(reading, reading->link, "slots"),
                 &link_path, "slots", "'fixed' without slot_limit",
                 "slot_limit too: how long a fixed turn lasts");
}

static void check_least_slot(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;
    char least[80], limit[80];

    if (!range_is_said(link->slot_least_ns)
        || !range_is_said(link->slot_limit_ns)
        || link->slot_least_ns.low <= link->slot_limit_ns.high)
        return;
    quantity_show_range(UNIT_DURATION, link->slot_least_ns, least,
                        sizeof(least));
    quantity_show_range(UNIT_DURATION, link->slot_limit_ns, limit,
                        sizeof(limit));
    walk_mistake(&reading->walk,
                 reading_place(reading, reading->link, "slot_least"),
                 &link_path, "slot_least", least,
                 "at most the slot_limit of %s (an idle end's turn is no "
                 "longer than a busy one's)",
                 limit);
}

static void check_repeats(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;

    if (link->repeats_delay_ns && !link->repeats_limit_count)
        walk_mistake(&reading->walk,
                     reading_place(reading, reading->link, "repeats.delay"),
                     &link_path, "repeats", "delay without limit",
                     "limit too: how often the radios repeat a lost frame");
}

static void check_back_off(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;
    const yaml_node_t *contention =
        walk_value(&reading->walk, reading->link, "contention");
    char found[48];

    if (!contention || !walk_value(&reading->walk, contention, "window_most")
        || link->contention_window_most_count >= link->contention_window_count)
        return;
    (void) snprintf(found, sizeof(found), "'%llu'",
                    (unsigned long long) link->contention_window_most_count);
    walk_mistake(
        &reading->walk,
        reading_place(reading, reading->link, "contention.window_most"),
        &link_path, "contention.window_most", found,
        "at least the window, %llu (after a collision the radios wait longer, "
        "not shorter)",
        (unsigned long long) link->contention_window_count);
}

/* --- steps -------------------------------------------------------------- */

/* Bytes that a step sends in what the overhead leaves of a transmission, with
 * every stated range at its best; NaN: not known. */
static double slot_room_bytes(const struct plan_link *link,
                              const struct plan_step *step)
{
    const double air_s =
        (link->slot_limit_ns.high - link->slot_overhead_ns.low) * 1e-9;

    if (step->levels < 2)
        return (double) NAN;
    return air_s * step->symbol_rate_bd.high * log2((double) step->levels)
           * step->code_rate_ratio / BITS_PER_BYTE;
}

/* A slot that outlasts its overhead, and yet has no room for any data. */
static void check_room(struct reading *reading)
{
    const struct plan *plan = reading->plan;
    const struct plan_link *link = &plan->link;
    const uint64_t taken_bytes = link->frame_payload_bytes
                                     ? link->frame_overhead_bytes
                                     : IP_HEADER_LEAST_BYTES;
    char limit[80];

    if (link->slot_limit_ns.low <= link->slot_overhead_ns.high)
        return; /* the slot is over before data can start */
    quantity_show_range(UNIT_DURATION, link->slot_limit_ns, limit,
                        sizeof(limit));
    for (size_t i = 0; i < plan->step_count; i++) {
        const double room_bytes = slot_room_bytes(link, &plan->steps[i]);

        if (!reading->is_step_sound[i]
            || !(floor(room_bytes) <= (double) taken_bytes))
            continue;
        walk_mistake(&reading->walk,
                     reading_place(reading, reading->link, "slot_limit"),
                     &link_path, "slot_limit", limit,
                     "a longer one: what the overhead leaves of it is %.0f B "
                     "on step '%s', and %s takes %llu B (no data would ever "
                     "cross)",
                     floor(room_bytes), plan->steps[i].name,
                     link->frame_payload_bytes ? "each frame's own overhead"
                                               : "an IP header",
                     (unsigned long long) taken_bytes);
        return;
    }
}

static void object_to_step(struct reading *reading, size_t step,
                           const char *key, const char *found,
                           const char *expected)
{
    walk_mistake(&reading->walk,
                 reading_place(reading, reading->steps[step], key), &steps_path,
                 key, found, "%s", expected);
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

    walk_mistake(&reading->walk,
                 reading_place(reading, reading->ends[end], key), &path, key,
                 found, "%s", expected);
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
    if (reading->link && reading->is_link_sound) {
        check_guard(reading);
        check_fixed(reading);
        check_least_slot(reading);
        check_repeats(reading);
        check_back_off(reading);
        check_room(reading);
    }
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
