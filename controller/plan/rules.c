/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * What contradicts what in a plan whose single values are right.  Every rule
 * is a function; each looks only at parts that were read without a mistake.
 */
#include "controller/plan/reading.h"

#include "controller/quantity.h"
#include "controller/text.h"

#include <string.h>

#define IPV6_LEAST_MTU_BYTES 1280 /* RFC 8200 section 5 */
#define INTERFACE_LENGTH_MAX 15   /* IFNAMSIZ, less the NUL */

static const struct path link_path = { NULL, "link" };
static const struct path steps_path = { NULL, "steps" };
static const struct path ends_path = { NULL, "ends" };

static const yaml_node_t *link_place(struct reading *reading, const char *key)
{
    return reading->link ? reading_place(reading, reading->link, key)
                         : reading->root;
}

/* --- the link ----------------------------------------------------------- */

static bool has_computed_step(const struct reading *reading)
{
    for (size_t i = 0; i < reading->plan->step_count; i++) {
        if (range_is_said(reading->plan->steps[i].symbol_rate_bd))
            return true;
    }
    return false;
}

static void check_slots(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;
    const bool has_slots =
        link->access == ACCESS_SCHEDULED || link->access == ACCESS_CONTENTION;
    char overhead[80], limit[80];

    if (has_slots && !range_is_said(link->slot_limit_ns)
        && has_computed_step(reading))
        walk_mistake(&reading->walk, link_place(reading, "slot_limit"),
                     &link_path, "slot_limit", "nothing",
                     "the longest transmission, such as 250 ms (a step with "
                     "symbol_rate on a %s channel needs it)",
                     link_accesses[link->access]);
    if (!range_is_said(link->slot_limit_ns)
        || link->slot_limit_ns.low > link->slot_overhead_ns.high)
        return;
    quantity_show_range(UNIT_DURATION, link->slot_overhead_ns, overhead,
                        sizeof(overhead));
    quantity_show_range(UNIT_DURATION, link->slot_limit_ns, limit,
                        sizeof(limit));
    walk_mistake(&reading->walk, link_place(reading, "slot_limit"), &link_path,
                 "slot_limit", limit,
                 "more than the slot_overhead of %s (the slot is over before "
                 "data can start)",
                 overhead);
}

static void check_frame(struct reading *reading)
{
    const struct plan_link *link = &reading->plan->link;

    if (link->frame_overhead_bytes && !link->frame_payload_bytes)
        walk_mistake(&reading->walk, link_place(reading, "frame"), &link_path,
                     "frame", "overhead without payload", "both, or neither");
}

static void check_access(struct reading *reading)
{
    const struct plan *plan = reading->plan;

    if (plan->link.access == ACCESS_ALTERNATING && plan_site_count(plan) > 2)
        walk_mistake(&reading->walk, link_place(reading, "access"), &link_path,
                     "access", "'alternating'",
                     "scheduled or contention (two ends can take turns, not "
                     "%zu)",
                     plan_site_count(plan));
}

/* --- steps -------------------------------------------------------------- */

static bool is_said(const struct reading *reading, size_t step, const char *key)
{
    for (size_t i = 0; i < COUNT_OF(step_fields); i++) {
        if (strcmp(step_fields[i].key, key) == 0)
            return reading->step_said[step][i];
    }
    return false;
}

static bool is_power_of_two(uint64_t value)
{
    return value && (value & (value - 1)) == 0;
}

static void object_to_step(struct reading *reading, size_t step,
                           const char *key, const char *found,
                           const char *expected)
{
    walk_mistake(&reading->walk,
                 reading_place(reading, reading->steps[step], key), &steps_path,
                 key, found, "%s", expected);
}

static void check_step_rate(struct reading *reading, size_t step)
{
    const bool has_symbols = is_said(reading, step, "symbol_rate");
    const bool has_usable = is_said(reading, step, "usable_rate");

    if (!has_symbols && !has_usable)
        object_to_step(reading, step, "symbol_rate",
                       "neither symbol_rate nor usable_rate", "one of them");
    if (has_symbols && !is_said(reading, step, "levels"))
        object_to_step(reading, step, "symbol_rate",
                       "symbol_rate without levels",
                       "levels too: how many different symbols there are");
}

static void check_step(struct reading *reading, size_t step)
{
    static const char *const of_symbols[] = { "levels", "code_rate", NULL };
    char found[48];

    check_step_rate(reading, step);
    if (is_said(reading, step, "levels")
        && !is_power_of_two(reading->plan->steps[step].levels)) {
        (void) snprintf(found, sizeof(found), "'%llu'",
                        (unsigned long long) reading->plan->steps[step].levels);
        object_to_step(reading, step, "levels", found,
                       "a power of two: 2, 4, 8, ...");
    }
    if (is_said(reading, step, "symbol_rate"))
        return;
    for (size_t i = 0; of_symbols[i]; i++) {
        (void) snprintf(found, sizeof(found), "%s without symbol_rate",
                        of_symbols[i]);
        if (is_said(reading, step, of_symbols[i]))
            object_to_step(reading, step, of_symbols[i], found,
                           "both, or neither");
    }
}

static void check_rate_scope(struct reading *reading, size_t step)
{
    if (is_said(reading, step, "usable_rate_is")
        && !is_said(reading, step, "usable_rate"))
        object_to_step(reading, step, "usable_rate_is",
                       "usable_rate_is without usable_rate",
                       "both, or neither");
}

/* --- ends --------------------------------------------------------------- */

static void object_to_end(struct reading *reading, size_t end, const char *key,
                          const char *text, const char *expected)
{
    const struct path path = { &ends_path, reading->plan->ends[end].name };
    char found[80];

    quantity_quote(text, found, sizeof(found));
    walk_mistake(&reading->walk,
                 reading_place(reading, reading->ends[end], key), &path, key,
                 found, "%s", expected);
}

static void check_address(struct reading *reading, size_t end, const char *key,
                          const char *text)
{
    if (text_address_family(text) == ADDRESS_NONE)
        object_to_end(reading, end, key, text,
                      "an IP address such as 10.71.0.2 or fd71::2, or a host "
                      "name");
    else if (!text_is_one_host(text))
        object_to_end(reading, end, key, text, "the address of one host");
}

static bool is_interface(const char *text)
{
    const size_t length = strlen(text);

    return length <= INTERFACE_LENGTH_MAX && !strpbrk(text, " /")
           && strcmp(text, ".") != 0 && strcmp(text, "..") != 0;
}

static void check_end(struct reading *reading, size_t index)
{
    const struct plan_end *end = &reading->plan->ends[index];

    check_address(reading, index, "address", end->address);
    if (end->control[0])
        check_address(reading, index, "control", end->control);
    if (!is_interface(end->interface))
        object_to_end(reading, index, "interface", end->interface,
                      "the name of a network interface, such as eth0");
    for (size_t i = 0; i < index; i++) {
        const struct plan_end *other = &reading->plan->ends[i];

        if (!reading->is_end_sound[i])
            continue;
        if (strcmp(other->address, end->address) == 0)
            object_to_end(reading, index, "address", end->address,
                          "an address that no other end has");
        else if (end->control[0] && strcmp(other->control, end->control) == 0
                 && other->port == end->port)
            object_to_end(reading, index, "control", end->control,
                          "another address or port than at another end");
    }
}

static void check_hub(struct reading *reading)
{
    const struct plan *plan = reading->plan;
    const yaml_node_t *ends = walk_value(&reading->walk, reading->root, "ends");
    size_t hub_count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (!reading->is_end_sound[i])
            return;
        if (plan->ends[i].role == ROLE_HUB && plan_end_is_site(&plan->ends[i])
            && ++hub_count > 1)
            object_to_end(reading, i, "role", "hub",
                          "station (there is one hub, and it was named "
                          "before), or a landmark if this is its radio or "
                          "router");
    }
    if (plan->end_count > 0 && hub_count == 0)
        walk_mistake(&reading->walk, ends, &ends_path, NULL, "no hub",
                     "role: hub at one of the ends");
    else if (plan->end_count == 1)
        walk_mistake(&reading->walk, ends, &ends_path, NULL, "only one end",
                     "a hub and at least one station");
}

/* --- agents ------------------------------------------------------------- */

/* What would be said of an agent that isn't there. */
static void check_agentless_end(struct reading *reading, size_t index)
{
    static const char *const of_agents[] = { "control", "port", "key", NULL };
    const struct path path = { &ends_path, reading->plan->ends[index].name };

    for (size_t i = 0; of_agents[i]; i++) {
        const yaml_node_t *value =
            walk_value(&reading->walk, reading->ends[index], of_agents[i]);
        char found[48];

        (void) snprintf(found, sizeof(found), "%s with agent: no",
                        of_agents[i]);
        if (value)
            walk_mistake(&reading->walk, value, &path, of_agents[i], found,
                         "an agent there, or no %s", of_agents[i]);
    }
    const yaml_node_t *controller_at =
        walk_value(&reading->walk, reading->root, "controller_at");
    if (controller_at && reading->plan->controller_end == (int) index)
        walk_mistake(&reading->walk, controller_at, NULL, "controller_at",
                     "an end with agent: no",
                     "an end with an agent (this computer's is started by "
                     "itself)");
}

static void object_to_partner(struct reading *reading,
                              const struct plan_exchange *exchange,
                              const char *name, const char *expected)
{
    const yaml_mark_t mark = { 0, (size_t) exchange->line - 1, 0 };
    char key[64], found[112];

    (void) snprintf(key, sizeof(key), "sequence.%s", exchange->kind->name);
    (void) snprintf(found, sizeof(found), "'%s', which has agent: no", name);
    walk_mistake_at(&reading->walk, &mark, key, found, expected);
}

/* Somebody without an agent can answer pings, and nothing else. */
static void check_partners(struct reading *reading)
{
    const struct plan *plan = reading->plan;

    for (size_t i = 0; i < reading->exchanges.count; i++) {
        const struct plan_exchange *exchange = rows_at(&reading->exchanges, i);

        if (exchange->from[0] && exchange->from_end >= 0
            && !plan_has_agent(plan, exchange->from_end))
            object_to_partner(reading, exchange, exchange->from,
                              "an end with an agent (nothing can be sent from "
                              "an end without one)");
        if (exchange->to[0] && exchange->to_end >= 0
            && !plan_has_agent(plan, exchange->to_end)
            && !exchange->kind->to_may_be_host)
            object_to_partner(reading, exchange, exchange->to,
                              "an end with an agent (without one an end can "
                              "only be the 'to' of a ping)");
    }
}

/* --- IP ----------------------------------------------------------------- */

static enum address_family family_of(const struct plan *plan, int end,
                                     const char *host)
{
    return text_address_family(end < 0 ? host : plan->ends[end].address);
}

/* Which end or host has an IPv6 address; NULL: none. */
static const char *find_ipv6(const struct reading *reading)
{
    const struct plan *plan = reading->plan;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (text_address_family(plan->ends[i].address) == ADDRESS_IPV6)
            return plan->ends[i].name;
    }
    for (size_t i = 0; i < reading->exchanges.count; i++) {
        const struct plan_exchange *exchange = rows_at(&reading->exchanges, i);

        if (text_address_family(exchange->to) == ADDRESS_IPV6)
            return exchange->to;
        if (text_address_family(exchange->from) == ADDRESS_IPV6)
            return exchange->from;
    }
    return NULL;
}

static void check_mtu(struct reading *reading)
{
    const char *who = find_ipv6(reading);
    const uint64_t mtu_bytes = reading->plan->link.mtu_bytes;
    char found[48];

    if (!who || mtu_bytes >= IPV6_LEAST_MTU_BYTES)
        return;
    (void) snprintf(found, sizeof(found), "%llu B",
                    (unsigned long long) mtu_bytes);
    walk_mistake(&reading->walk, link_place(reading, "mtu"), &link_path, "mtu",
                 found, "%d B or more (%s has an IPv6 address: RFC 8200)",
                 IPV6_LEAST_MTU_BYTES, who);
}

static void check_families(struct reading *reading)
{
    const struct plan *plan = reading->plan;

    for (size_t i = 0; i < reading->exchanges.count; i++) {
        const struct plan_exchange *exchange = rows_at(&reading->exchanges, i);
        const enum address_family from =
            family_of(plan, exchange->from_end, exchange->from);
        const enum address_family to =
            family_of(plan, exchange->to_end, exchange->to);
        const yaml_mark_t mark = { 0, (size_t) exchange->line - 1, 0 };
        char key[64];

        if (from < ADDRESS_IPV4 || to < ADDRESS_IPV4 || from == to
            || !exchange->from[0] || !exchange->to[0])
            continue;
        (void) snprintf(key, sizeof(key), "sequence.%s", exchange->kind->name);
        walk_mistake_at(&reading->walk, &mark, key,
                        "an IPv4 and an IPv6 address",
                        "two addresses of one family");
    }
}

void reading_check_rules(struct reading *reading)
{
    bool are_ends_sound = true;

    if (reading->is_link_sound) {
        check_slots(reading);
        check_frame(reading);
        check_access(reading);
    }
    for (size_t i = 0; i < reading->plan->step_count; i++) {
        if (reading->is_step_sound[i]) {
            check_step(reading, i);
            check_rate_scope(reading, i);
        }
    }
    for (size_t i = 0; i < reading->plan->end_count; i++) {
        are_ends_sound = are_ends_sound && reading->is_end_sound[i];
        if (!reading->is_end_sound[i])
            continue;
        check_end(reading, i);
        if (reading->plan->ends[i].agent == AGENT_NONE)
            check_agentless_end(reading, i);
    }
    check_hub(reading);
    if (are_ends_sound) {
        check_partners(reading);
        check_families(reading);
        if (reading->is_link_sound)
            check_mtu(reading);
    }
}
