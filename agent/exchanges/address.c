/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/address.h"

#include "agent/sockets.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <string.h>
#include <unistd.h>

uint16_t address_port(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET6)
        return ntohs(((const struct sockaddr_in6 *) address)->sin6_port);
    return ntohs(((const struct sockaddr_in *) address)->sin_port);
}

/* Any address as 16 bytes, IPv4 as IPv4-mapped (RFC 4291 section 2.5.5.2). */
static struct in6_addr as_mapped(const struct sockaddr *address)
{
    struct in6_addr mapped = { 0 };

    if (address->sa_family == AF_INET6)
        return ((const struct sockaddr_in6 *) address)->sin6_addr;
    mapped.s6_addr[10] = mapped.s6_addr[11] = 0xff;
    memcpy(&mapped.s6_addr[12],
           &((const struct sockaddr_in *) address)->sin_addr, 4);
    return mapped;
}

bool address_is_same_host(const struct sockaddr *one,
                          const struct sockaddr *other)
{
    const struct in6_addr a = as_mapped(one), b = as_mapped(other);

    return memcmp(&a, &b, sizeof(a)) == 0;
}

bool address_is_own(const struct sockaddr *address)
{
    struct sockaddr_storage any_port = { 0 };
    const int probe = socket(address->sa_family, SOCK_DGRAM | SOCK_CLOEXEC, 0);

    if (probe < 0)
        return false;
    memcpy(&any_port, address, sockets_length(address));
    if (address->sa_family == AF_INET6)
        ((struct sockaddr_in6 *) &any_port)->sin6_port = 0;
    else
        ((struct sockaddr_in *) &any_port)->sin_port = 0;
    const bool is_own = bind(probe, (const struct sockaddr *) &any_port,
                             sockets_length(address))
                        == 0;
    (void) close(probe);
    return is_own;
}
