/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/sockets.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <string.h>
#include <unistd.h>
#include <uv.h>

#define LISTEN_BACKLOG 64

int sockets_parse(const char *address, uint16_t port,
                  struct sockaddr_storage *ret_address, struct fault *fault)
{
    const struct addrinfo hints = { .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV,
                                    .ai_socktype = SOCK_DGRAM };
    struct addrinfo *found = NULL;
    char port_text[8];

    (void) snprintf(port_text, sizeof(port_text), "%u", port);
    if (getaddrinfo(address, port_text, &hints, &found) != 0 || !found)
        return fault_set(fault, UV_EINVAL,
                         "found '%.60s', expected a numeric IPv4 or IPv6 "
                         "address such as 10.1.2.3 or fd00::1",
                         address);
    memset(ret_address, 0, sizeof(*ret_address));
    memcpy(ret_address, found->ai_addr, found->ai_addrlen);
    freeaddrinfo(found);
    return 0;
}

socklen_t sockets_length(const struct sockaddr *address)
{
    return address->sa_family == AF_INET6 ? sizeof(struct sockaddr_in6)
                                          : sizeof(struct sockaddr_in);
}

bool sockets_is_loopback(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET) {
        struct sockaddr_in in;

        memcpy(&in, address, sizeof(in));
        return ntohl(in.sin_addr.s_addr) >> 24 == 127;
    }
    if (address->sa_family == AF_INET6) {
        struct sockaddr_in6 in6;

        memcpy(&in6, address, sizeof(in6));
        return IN6_IS_ADDR_LOOPBACK(&in6.sin6_addr);
    }
    return false;
}

const char *sockets_print(const struct sockaddr *address,
                          char room[SOCKETS_TEXT_SIZE])
{
    const bool is_six = address->sa_family == AF_INET6;
    char host[64], port[8];

    if (getnameinfo(address, sockets_length(address), host, sizeof(host), port,
                    sizeof(port), NI_NUMERICHOST | NI_NUMERICSERV)
        != 0)
        (void) snprintf(room, SOCKETS_TEXT_SIZE, "(unknown address)");
    else
        (void) snprintf(room, SOCKETS_TEXT_SIZE, is_six ? "[%s]:%s" : "%s:%s",
                        host, port);
    return room;
}

uint16_t sockets_port(int socket)
{
    struct sockaddr_storage address = { 0 };
    socklen_t length = sizeof(address);

    if (getsockname(socket, (struct sockaddr *) &address, &length) < 0)
        return 0;
    if (address.ss_family == AF_INET6) {
        struct sockaddr_in6 in6;

        memcpy(&in6, &address, sizeof(in6));
        return ntohs(in6.sin6_port);
    }
    struct sockaddr_in in;
    memcpy(&in, &address, sizeof(in));
    return ntohs(in.sin_port);
}

/* Why the address could not be had, and what to do about it. */
static int explain_bind(const char *address, uint16_t port, const char *what,
                        int error, struct fault *fault)
{
    switch (error) {
    case EADDRINUSE:
        return fault_set(fault, UV_EADDRINUSE,
                         "%s port %u at %s is in use: another agent may be "
                         "running; stop it, or choose another with --port",
                         what, port, address);
    case EADDRNOTAVAIL:
        return fault_set(fault, UV_EADDRNOTAVAIL,
                         "%s is not an address of this computer: expected "
                         "one that 'ip address' shows, or 0.0.0.0 for all",
                         address);
    case EACCES:
        return fault_set(fault, UV_EACCES,
                         "%s port %u is not allowed: ports below 1024 need "
                         "root; choose another with --port",
                         what, port);
    case EAFNOSUPPORT:
        return fault_set(fault, UV_EAFNOSUPPORT,
                         "this computer has no support for the address %s",
                         address);
    default:
        return fault_set(fault, uv_translate_sys_error(error),
                         "cannot use %s port %u at %s: %s", what, port, address,
                         strerror(error));
    }
}

static int open_bound(const char *address, uint16_t port, int type,
                      const char *what, int *ret_socket, struct fault *fault)
{
    struct sockaddr_storage bound = { 0 };
    const int one = 1;
    int result = sockets_parse(address, port, &bound, fault);
    if (result < 0)
        return result;
    const int fd =
        socket(bound.ss_family, type | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return explain_bind(address, port, what, errno, fault);
    if (type == SOCK_STREAM)
        (void) setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof(one));
    if (bound.ss_family == AF_INET6)
        (void) setsockopt(fd, IPPROTO_IPV6, IPV6_V6ONLY, &one, sizeof(one));
    const struct sockaddr *at = (const struct sockaddr *) &bound;
    if (bind(fd, at, sockets_length(at)) < 0
        || (type == SOCK_STREAM && listen(fd, LISTEN_BACKLOG) < 0)) {
        result = explain_bind(address, port, what, errno, fault);
        (void) close(fd);
        return result;
    }
    *ret_socket = fd;
    return 0;
}

int sockets_listen_tcp(const char *address, uint16_t port, int *ret_socket,
                       struct fault *fault)
{
    return open_bound(address, port, SOCK_STREAM, "TCP", ret_socket, fault);
}

int sockets_open_udp(const char *address, uint16_t port, int *ret_socket,
                     struct fault *fault)
{
    return open_bound(address, port, SOCK_DGRAM, "UDP", ret_socket, fault);
}
