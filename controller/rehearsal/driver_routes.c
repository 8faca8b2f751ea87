/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_routes.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

static int note_address(struct routes *routes, size_t end, const char *text,
                        struct fault *fault)
{
    const bool is_ipv6 = strchr(text, ':') != NULL;

    if (routes->address_count == COUNT_OF(routes->addresses))
        return fault_set(fault, -E2BIG,
                         "found more than %zu practice addresses",
                         COUNT_OF(routes->addresses));
    struct route *route = &routes->addresses[routes->address_count++];

    route->version = is_ipv6 ? 6 : 4;
    route->end = end;
    if (inet_pton(is_ipv6 ? AF_INET6 : AF_INET, text, route->bytes) != 1)
        return fault_set(fault, -EINVAL, "found '%s', expected an IP address",
                         text);
    return 0;
}

/* All that others see of the end is its router's address. */
static int note_router(struct routes *routes, size_t end, const char *text,
                       struct fault *fault)
{
    struct translation *router = calloc(1, sizeof(*router));

    if (!router)
        return fault_set(fault, -ENOMEM, "out of memory");
    routes->routers[end] = router;
    if (inet_pton(AF_INET, text, router->outer) != 1)
        return fault_set(fault, -EINVAL, "found '%s', expected an IPv4 address",
                         text);
    return note_address(routes, end, text, fault);
}

static int note_end(struct routes *routes, size_t end,
                    const struct driver_end *setup, struct fault *fault)
{
    int status = 0;

    if (setup->router)
        return note_router(routes, end, setup->router, fault);
    for (size_t i = 0; i < setup->address_count && !status; i++)
        status = note_address(routes, end, setup->addresses[i], fault);
    return status;
}

int routes_fill(struct routes *routes, const struct driver_end *ends,
                size_t end_count, struct fault *fault)
{
    int status = 0;

    routes->end_count = end_count;
    for (size_t i = 0; i < end_count && !status; i++)
        status = note_end(routes, i, &ends[i], fault);
    return status;
}

void routes_clear(struct routes *routes)
{
    for (size_t i = 0; i < routes->end_count; i++)
        free(routes->routers[i]);
}

/* The end that has that address; end_count: nobody. */
static size_t find_receiver(const struct routes *routes,
                            const struct packet *packet)
{
    const size_t size = packet->version == 6 ? 16 : 4;

    for (size_t i = 0; i < routes->address_count; i++) {
        const struct route *route = &routes->addresses[i];

        if (route->version == packet->version
            && memcmp(route->bytes, packet->destination, size) == 0)
            return route->end;
    }
    return routes->end_count;
}

size_t routes_find(struct routes *routes, size_t from, unsigned char *bytes,
                   size_t length, struct packet *packet)
{
    const size_t nobody = routes->end_count;
    struct translation *near = routes->routers[from];

    if (near
        && (!translation_out(near, bytes, length)
            || !packet_parse(bytes, length, packet)))
        return nobody;
    const size_t to = find_receiver(routes, packet);
    struct translation *far = to == nobody ? NULL : routes->routers[to];

    return !far || translation_in(far, bytes, length) ? to : nobody;
}
