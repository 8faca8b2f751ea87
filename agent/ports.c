/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/ports.h"

#include "agent/sockets.h"

#include <string.h>
#include <unistd.h>

#define PORT_TRIES 16

/* The addresses to listen on where none are named: an IPv6 one only where the
 * system has IPv6. */
static size_t preset_addresses(bool has_key, const char *room[2])
{
    const char *six = has_key ? "::" : "::1";
    int probe = -1;

    room[0] = has_key ? "0.0.0.0" : "127.0.0.1";
    if (sockets_open_udp(six, 0, &probe, NULL) < 0)
        return 1;
    (void) close(probe);
    room[1] = six;
    return 2;
}

static int check_addresses(const char *const *addresses, size_t address_count,
                           bool has_key, struct fault *fault)
{
    for (size_t i = 0; i < address_count; i++) {
        struct sockaddr_storage address;
        const int result = sockets_parse(addresses[i], 0, &address, fault);
        if (result < 0)
            return result;
        if (!has_key
            && !sockets_is_loopback((const struct sockaddr *) &address))
            return fault_set(fault, UV_EINVAL,
                             "without a key an agent listens on loopback only, "
                             "found %s; make a key with --new-key FILE and "
                             "name it with --key FILE",
                             addresses[i]);
    }
    return 0;
}

/* One socket a family: bound to the one address listened on, or to all. */
static int open_udp(const char *const *addresses, size_t address_count,
                    int family, uint16_t port, int *ret_socket,
                    struct fault *fault)
{
    const char *only = NULL;
    size_t count = 0;

    for (size_t i = 0; i < address_count; i++) {
        const bool is_six = strchr(addresses[i], ':') != NULL;

        if (is_six == (family == AF_INET6)) {
            only = addresses[i];
            count++;
        }
    }
    *ret_socket = -1;
    if (count == 0)
        return 0;
    if (count > 1)
        only = family == AF_INET6 ? "::" : "0.0.0.0";
    return sockets_open_udp(only, port, ret_socket, fault);
}

static void close_one(int *socket)
{
    if (*socket >= 0)
        (void) close(*socket);
    *socket = -1;
}

void ports_close_udp(struct ports *ports)
{
    close_one(&ports->udp4);
    close_one(&ports->udp6);
}

/* TCP and UDP on one port. */
static int open_at(const struct ports_wish *wish, const char *const *addresses,
                   size_t address_count, uint16_t port, struct ports *ports,
                   struct fault *fault)
{
    int result =
        open_udp(addresses, address_count, AF_INET, port, &ports->udp4, fault);
    if (result == 0 && port == 0 && ports->udp4 >= 0)
        port = sockets_port(ports->udp4);
    if (result == 0)
        result = open_udp(addresses, address_count, AF_INET6, port,
                          &ports->udp6, fault);
    if (result == 0 && port == 0 && ports->udp6 >= 0)
        port = sockets_port(ports->udp6);
    if (result == 0)
        result = http_open(wish->loop, addresses, address_count, port,
                           wish->handler, wish->owner, &ports->http, fault);
    if (result < 0)
        ports_close_udp(ports);
    return result;
}

static void write_addresses(const char *const *addresses, size_t address_count,
                            struct ports *ports)
{
    size_t used = 0;

    for (size_t i = 0; i < address_count && used < sizeof(ports->addresses);
         i++)
        used += (size_t) snprintf(ports->addresses + used,
                                  sizeof(ports->addresses) - used, "%s%s",
                                  i ? ", " : "", addresses[i]);
}

int ports_open(const struct ports_wish *wish, struct ports *ret_ports,
               struct fault *fault)
{
    const char *presets[2];
    const char *const *addresses = wish->addresses;
    size_t address_count = wish->address_count;
    struct ports ports = { .udp4 = -1, .udp6 = -1 };

    if (address_count == 0) {
        addresses = presets;
        address_count = preset_addresses(wish->has_key, presets);
    }
    int result =
        check_addresses(addresses, address_count, wish->has_key, fault);
    if (result < 0)
        return result;
    /* A port that is free for UDP may be taken for TCP: then another is
     * tried, where none was asked for. */
    for (unsigned i = 0; i < PORT_TRIES; i++) {
        *fault = (struct fault){ 0 };
        result =
            open_at(wish, addresses, address_count, wish->port, &ports, fault);
        if (wish->port != 0 || result != UV_EADDRINUSE)
            break;
    }
    if (result < 0)
        return result;
    write_addresses(addresses, address_count, &ports);
    *ret_ports = ports;
    return 0;
}
