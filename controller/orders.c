/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/orders.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

uint64_t orders_position_count(const struct plan *plan)
{
    return plan->rounds * plan->step_count * plan->group_count;
}

void orders_place_of(const struct plan *plan, uint64_t position,
                     struct order_place *ret_place)
{
    *ret_place = (struct order_place){
        .position = position,
        .step = plan_step_at(plan, position / plan->group_count),
        .group = position % plan->group_count,
    };
}

/* "download quarry > jetty + ping jetty > quarry", or the kinds alone; false:
 * it is too long to be read. */
static bool list_others(const struct plan *plan, const struct plan_group *group,
                        size_t self, bool with_ways, char *ret_text,
                        size_t size)
{
    char way[2 * ADDRESS_SIZE + 8] = "";
    size_t used = 0;

    for (size_t i = 0; i < group->count && used < size; i++) {
        const struct plan_exchange *other = &plan->exchanges[group->first + i];

        if (i == self)
            continue;
        if (with_ways)
            plan_exchange_way(other, way, sizeof(way));
        used += (size_t) snprintf(ret_text + used, size - used, "%s%s%s%s",
                                  used ? " + " : "", other->kind->name,
                                  with_ways ? " " : "", way);
    }
    return used < size;
}

/* What an exchange of the group runs beside. */
static void tell_condition(const struct plan *plan,
                           const struct plan_group *group, size_t self,
                           char *ret_text, size_t size)
{
    if (group->count == 1)
        (void) snprintf(ret_text, size, "idle");
    else if (!list_others(plan, group, self, true, ret_text, size)
             && !list_others(plan, group, self, false, ret_text, size))
        (void) snprintf(ret_text, size, "%zu others", group->count - 1);
}

/* A seed for each exchange of a run, the same whenever it is resumed.  Numbers
 * of JSON are exact up to 2^53. */
static uint64_t seed_of(const struct orders_site *site, uint64_t position,
                        size_t number)
{
    struct draw draw = { site->seed + position * PLAN_GROUP_MAX + number };

    return draw_next(&draw) >> 11;
}

/* Opens the data connections: whoever knows it may fetch test data, so it
 * can't be guessed from the plan or the seed. */
static int make_ticket(char ret_ticket[ID_SIZE], struct fault *fault)
{
    unsigned char bytes[12];
    const int code = uv_random(NULL, NULL, bytes, sizeof(bytes), 0, NULL);

    if (code)
        return fault_set(fault, code, "no random numbers: %s",
                         uv_strerror(code));
    for (size_t i = 0; i < sizeof(bytes); i++)
        (void) snprintf(ret_ticket + 2 * i, 3, "%02x", bytes[i]);
    return 0;
}

static void name_self(const struct orders_site *site, int end, int peer,
                      struct exchange_order *order)
{
    const struct plan_end *own = &site->plan->ends[end];
    /* The own radio is on this side of the air, at whatever interface. */
    const bool is_tied =
        peer < 0 || site->plan->ends[peer].landmark != LANDMARK_OWN_RADIO;

    (void) snprintf(order->own_name, NAME_SIZE, "%s", own->name);
    (void) snprintf(order->own_call, NAME_SIZE, "%s", own->call);
    (void) snprintf(order->own_address, ADDRESS_SIZE, "%s",
                    site->addresses[end]);
    (void) snprintf(order->interface, NAME_SIZE, "%s",
                    is_tied ? own->interface : "");
}

static int hub_of(const struct plan *plan)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].role == ROLE_HUB && plan_has_agent(plan, (int) i))
            return (int) i;
    }
    return -1;
}

/* Identifications go to an agent that can note them: the peer's, or, when the
 * peer is a host without one, the hub's. */
static void name_listener(const struct orders_site *site, int end, int peer,
                          struct exchange_order *order)
{
    const int listener =
        plan_has_agent(site->plan, peer) ? peer : hub_of(site->plan);

    if (listener < 0 || listener == end)
        return;
    (void) snprintf(order->identify_to, ADDRESS_SIZE, "%s",
                    site->addresses[listener]);
    order->identify_port = site->plan->ends[listener].port;
}

static void name_peer(const struct orders_site *site, size_t plan_index,
                      int peer, struct exchange_order *order)
{
    if (peer < 0) {
        const struct plan_exchange *planned =
            &site->plan->exchanges[plan_index];

        (void) snprintf(order->peer_name, NAME_SIZE, "%.*s", NAME_SIZE - 1,
                        planned->to_end < 0 ? planned->to : planned->from);
        (void) snprintf(order->peer_address, ADDRESS_SIZE, "%s",
                        site->hosts[plan_index]);
        return;
    }
    (void) snprintf(order->peer_name, NAME_SIZE, "%s",
                    site->plan->ends[peer].name);
    (void) snprintf(order->peer_address, ADDRESS_SIZE, "%s",
                    site->addresses[peer]);
    if (plan_has_agent(site->plan, peer))
        order->peer_port = site->plan->ends[peer].port;
}

struct order_common {
    char id[ID_SIZE], ticket[ID_SIZE];
    uint64_t seed;
    double expected_bps, expected_cycle_ns;
};

static void add_part(const struct orders_site *site,
                     struct ordered_exchange *exchange, int end, int peer,
                     const char *part, const struct order_common *common)
{
    struct order_part *made = &exchange->parts[exchange->part_count++];
    struct exchange_order *order = &made->order;

    made->end = end;
    *order = (struct exchange_order){
        .seed = common->seed,
        .expected_bps = common->expected_bps,
        .expected_cycle_ns = common->expected_cycle_ns,
        .identify_every_ns = site->plan->link.identify_every_ns,
        .spec = exchange->planned->spec,
    };
    (void) snprintf(order->id, ID_SIZE, "%s", common->id);
    (void) snprintf(order->kind, NAME_SIZE, "%s",
                    exchange->planned->kind->name);
    (void) snprintf(order->part, NAME_SIZE, "%s", part);
    (void) snprintf(order->ticket, ID_SIZE, "%s", common->ticket);
    name_self(site, end, peer, order);
    name_peer(site, exchange->plan_index, peer, order);
    name_listener(site, end, peer, order);
}

static void make_id(const struct orders_site *site,
                    const struct order_place *place, size_t number,
                    char ret_id[ID_SIZE])
{
    const int used = snprintf(ret_id, ID_SIZE, "%.8s-%llu-%zu", site->tag,
                              (unsigned long long) place->position, number);

    if (place->attempt)
        (void) snprintf(ret_id + used, (size_t) (ID_SIZE - used), "-%llx",
                        (unsigned long long) place->attempt);
}

/* Digits up to the next dash or the end; false where there are none. */
static bool read_part(const char **at, int base, uint64_t *ret_number)
{
    char *end;

    if (!isxdigit((unsigned char) **at))
        return false;
    *ret_number = strtoull(*at, &end, base);
    const bool is_part = end != *at && (*end == '-' || *end == '\0');
    *at = *end == '-' ? end + 1 : end;
    return is_part;
}

bool orders_read_id(const char *id, const char *tag, struct order_id *ret_id)
{
    const size_t tag_length = strlen(tag);
    const char *at = id + tag_length + 1;

    *ret_id = (struct order_id){ .attempt = 0 };
    if (strncmp(id, tag, tag_length) != 0 || id[tag_length] != '-')
        return false;
    if (!read_part(&at, 10, &ret_id->position)
        || !read_part(&at, 10, &ret_id->number))
        return false;
    return *at == '\0' || (read_part(&at, 16, &ret_id->attempt) && *at == '\0');
}

static int make_exchange(const struct orders_site *site,
                         const struct order_place *place, size_t number,
                         struct ordered_exchange *exchange, struct fault *fault)
{
    const struct plan_group *group = &site->plan->groups[place->group];
    const size_t plan_index = group->first + number;
    const struct plan_exchange *planned = &site->plan->exchanges[plan_index];
    const struct kind *kind = planned->kind;
    struct order_common common = {
        .seed = seed_of(site, place->position, number),
        .expected_bps = site->expected_bps[place->step],
        .expected_cycle_ns = site->expected_cycle_ns[place->step],
    };
    const int code = make_ticket(common.ticket, fault);

    if (code)
        return code;
    make_id(site, place, number, common.id);
    *exchange = (struct ordered_exchange){
        .planned = planned,
        .plan_index = plan_index,
        .planned_ns = kind->planned_ns(planned->spec.bytes, common.seed,
                                       common.expected_bps),
        .longest_ns = kind->longest_ns(planned->spec.bytes, common.seed),
    };
    tell_condition(site->plan, group, number, exchange->condition,
                   sizeof(exchange->condition));
    /* Receivers are armed before senders. */
    if (plan_has_agent(site->plan, planned->to_end))
        add_part(site, exchange, planned->to_end, planned->from_end,
                 kind->to_part, &common);
    if (plan_has_agent(site->plan, planned->from_end))
        add_part(site, exchange, planned->from_end, planned->to_end,
                 kind->from_part, &common);
    return 0;
}

int orders_make(const struct orders_site *site, const struct order_place *place,
                struct ordered_exchange *exchanges, size_t *ret_count,
                struct fault *fault)
{
    const struct plan_group *group = &site->plan->groups[place->group];

    if (group->count > PLAN_GROUP_MAX)
        return fault_set(fault, UV_E2BIG,
                         "a group has %zu exchanges, expected at most %d",
                         group->count, PLAN_GROUP_MAX);
    for (size_t i = 0; i < group->count; i++) {
        const int code = make_exchange(site, place, i, &exchanges[i], fault);

        if (code)
            return code;
    }
    *ret_count = group->count;
    return 0;
}
