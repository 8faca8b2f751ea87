/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/derive.h"

#include "controller/rehearsal/namespaces.h"
#include "controller/text.h"

#include <errno.h>
#include <string.h>

/* Private addresses (RFC 1918, RFC 4193).  The hub's computer is .10, the
 * stations follow; hosts that are no ends begin at .100, the routers of address
 * translation at .200. */
#define FIRST_END    10
#define FIRST_HOST   100
#define FIRST_ROUTER 200

static void write_ipv4(char text[ADDRESS_SIZE], size_t number)
{
    (void) snprintf(text, ADDRESS_SIZE, "10.61.0.%zu", number);
}

static void write_ipv6(char text[ADDRESS_SIZE], size_t number)
{
    (void) snprintf(text, ADDRESS_SIZE, "fd61:7072:6163::%zu", number);
}

static void cast_one(struct cast *cast, const struct plan *plan, size_t end)
{
    const size_t index = cast->end_count++;
    struct cast_end *cast_end = &cast->ends[index];

    cast_end->end = (int) end;
    /* The plan reader lets only letters, digits, - and _ into a name. */
    (void) snprintf(cast_end->folder, sizeof(cast_end->folder), "ends/%s",
                    plan->ends[end].name);
    write_ipv4(cast_end->ipv4, FIRST_END + index);
    write_ipv6(cast_end->ipv6, FIRST_END + index);
    if (plan->practice.ends[end].is_translated)
        write_ipv4(cast_end->router, FIRST_ROUTER + index);
}

/* The hub has the first turn, then the stations as the plan names them. */
static void cast_all(struct cast *cast, const struct plan *plan)
{
    for (int role = ROLE_HUB; role <= ROLE_STATION; role++) {
        for (size_t i = 0; i < plan->end_count; i++) {
            if (plan->ends[i].role == role && plan_end_is_site(&plan->ends[i]))
                cast_one(cast, plan, i);
        }
    }
}

static void move_end(struct plan_end *end, const struct cast_end *cast_end)
{
    const bool is_ipv6 = text_address_family(end->address) == ADDRESS_IPV6;

    (void) snprintf(end->address, sizeof(end->address), "%s",
                    is_ipv6 ? cast_end->ipv6 : cast_end->ipv4);
    if (end->agent == AGENT_NONE)
        return;
    end->control[0] = '\0';
    if (end->interface[0])
        (void) snprintf(end->interface, sizeof(end->interface), "%s",
                        PRACTICE_INTERFACE);
    (void) snprintf(end->key, sizeof(end->key), "%s/key", cast_end->folder);
}

static bool is_ipv6_exchange(const struct plan *plan,
                             const struct plan_exchange *exchange)
{
    enum address_family family = text_address_family(exchange->to);

    /* A host by name has the family of the end that it is reached from. */
    if (family != ADDRESS_IPV4 && family != ADDRESS_IPV6
        && exchange->from_end >= 0)
        family = text_address_family(plan->ends[exchange->from_end].address);
    return family == ADDRESS_IPV6;
}

/* The same host in several exchanges stays one host. */
static bool move_like_before(struct plan *plan, char (*hosts)[ADDRESS_SIZE],
                             size_t index)
{
    struct plan_exchange *exchange = &plan->exchanges[index];

    for (size_t i = 0; i < index; i++) {
        if (plan->exchanges[i].to_end >= 0
            || strcmp(hosts[i], exchange->to) != 0)
            continue;
        memcpy(exchange->to, plan->exchanges[i].to, sizeof(exchange->to));
        return true;
    }
    return false;
}

/* A further address of a practice computer. */
static int add_host(struct cast *cast, size_t at, bool is_ipv6,
                    char ret_address[ADDRESS_SIZE], struct fault *fault)
{
    struct cast_end *computer = &cast->ends[at];
    size_t number = FIRST_HOST;

    if (computer->host_count == CAST_HOSTS_MAX)
        return fault_set(fault, -E2BIG,
                         "sequence: found more than %d hosts and landmarks "
                         "at one end, expected fewer in a rehearsal",
                         CAST_HOSTS_MAX);
    for (size_t i = 0; i < cast->end_count; i++)
        number += cast->ends[i].host_count;
    char *address = computer->hosts[computer->host_count++];
    if (is_ipv6)
        write_ipv6(address, number);
    else
        write_ipv4(address, number);
    memcpy(ret_address, address, ADDRESS_SIZE);
    return 0;
}

static int move_hosts(struct plan *plan, struct cast *cast,
                      char (*hosts)[ADDRESS_SIZE], struct fault *fault)
{
    for (size_t i = 0; i < plan->exchange_count; i++) {
        struct plan_exchange *exchange = &plan->exchanges[i];

        if (exchange->to_end >= 0)
            continue;
        memcpy(hosts[i], exchange->to, sizeof(hosts[i]));
        if (move_like_before(plan, hosts, i))
            continue;
        const int status = add_host(cast, 0, is_ipv6_exchange(plan, exchange),
                                    exchange->to, fault);
        if (status)
            return status;
    }
    return 0;
}

/* At whose computer the operator sits, in the cast. */
static size_t find_near(const struct cast *cast, const struct plan *plan)
{
    size_t near = 0;

    while (near + 1 < cast->end_count
           && cast->ends[near].end != plan->controller_end)
        near++;
    return near;
}

/* The own radio is on this side of the air, the other landmarks are behind it:
 * at the hub, or, seen from the hub, at the first station. */
static int move_landmarks(struct plan *plan, struct cast *cast,
                          struct fault *fault)
{
    const size_t near = find_near(cast, plan);
    const size_t far = near == 0 && cast->end_count > 1 ? 1 : 0;
    int status = 0;

    for (size_t i = 0; i < plan->end_count && !status; i++) {
        struct plan_end *end = &plan->ends[i];

        if (plan_end_is_site(end))
            continue;
        status =
            add_host(cast, end->landmark == LANDMARK_OWN_RADIO ? near : far,
                     text_address_family(end->address) == ADDRESS_IPV6,
                     end->address, fault);
        end->interface[0] = '\0';
    }
    return status;
}

/* The first computer with an agent that is not this end's. */
static int other_agent(const struct plan *plan, const struct cast *cast,
                       int end)
{
    for (size_t i = 0; i < cast->end_count; i++) {
        if (cast->ends[i].end != end && plan_has_agent(plan, cast->ends[i].end))
            return cast->ends[i].end;
    }
    return -1;
}

/* There is no web server in a practice world: another end sends instead. */
static int move_urls(struct plan *plan, const struct cast *cast,
                     struct fault *fault)
{
    for (size_t i = 0; i < plan->exchange_count; i++) {
        struct plan_exchange *exchange = &plan->exchanges[i];
        const int sender = other_agent(plan, cast, exchange->to_end);

        if (exchange->from_end >= 0)
            continue;
        if (sender < 0)
            return fault_set(fault, -EINVAL,
                             "sequence: found a %s from a web server and no "
                             "further end with an agent, expected one to send "
                             "in its place in a rehearsal",
                             exchange->kind->name);
        exchange->kind->forget_host(exchange->spec.bytes);
        exchange->from_end = sender;
        (void) snprintf(exchange->from, sizeof(exchange->from), "%s",
                        plan->ends[sender].name);
    }
    return 0;
}

/* The routers of the practice world translate IPv4 only. */
static int check_routers(const struct plan *plan, const struct cast *cast,
                         struct fault *fault)
{
    for (size_t i = 0; i < cast->end_count; i++) {
        const struct plan_end *end = &plan->ends[cast->ends[i].end];

        if (cast->ends[i].router[0]
            && text_address_family(end->address) == ADDRESS_IPV6)
            return fault_set(fault, -EINVAL,
                             "practice: ends: %s: translation: found an end "
                             "with an IPv6 address, expected one with an IPv4 "
                             "address",
                             end->name);
    }
    return 0;
}

int derive_practice_plan(struct plan *plan, uint64_t seed,
                         struct cast *ret_cast, struct fault *fault)
{
    struct cast cast = { .end_count = 0 };
    char(*hosts)[ADDRESS_SIZE] =
        calloc(plan->exchange_count + 1, sizeof(*hosts));

    if (!hosts)
        return fault_set(fault, -ENOMEM, "out of memory");
    cast_all(&cast, plan);
    int status = check_routers(plan, &cast, fault);

    if (!status)
        status = move_urls(plan, &cast, fault);
    if (!status)
        status = move_hosts(plan, &cast, hosts, fault);
    if (!status)
        status = move_landmarks(plan, &cast, fault);
    free(hosts);
    if (status)
        return status;
    for (size_t i = 0; i < cast.end_count; i++)
        move_end(&plan->ends[cast.ends[i].end], &cast.ends[i]);
    plan->set_steps = SET_BY_AGENT;
    plan->reference_run = 0; /* the rehearsal has a logbook of its own */
    plan->link.loss_ratio = range_unsaid(); /* and an air of its own */
    if (seed)
        plan->practice.seed = seed;
    *ret_cast = cast;
    return 0;
}
