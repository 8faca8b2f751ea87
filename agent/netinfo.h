/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_NETINFO_H
#define AGENT_NETINFO_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <stdbool.h>
#include <sys/socket.h>

/*
 * What the system knows of the network: the way that packets to an address
 * take, and an interface's counters.  Nothing is sent.  Each call asks afresh.
 */

struct netinfo_route {
    char interface[NAME_SIZE];
    unsigned interface_index;
    char source_address[ADDRESS_SIZE];
    char gateway[ADDRESS_SIZE]; /* "" when the address is on the link */
    uint64_t mtu_bytes;
    bool is_own; /* the address is this computer's own */
};

/*
 * The way to an address.  from (may be NULL) is the source address that will be
 * used; interface ("": any) confines the question to ways by that interface.
 */
int netinfo_route(const struct sockaddr *to, const struct sockaddr *from,
                  const char *interface, struct netinfo_route *ret_route,
                  struct fault *fault);

struct netinfo_counters {
    uint64_t sent_bytes, received_bytes; /* link-layer headers included */
    uint64_t sent_packets, received_packets;
    uint64_t mtu_bytes;
};

/* An interface's counters; UV_ENODEV when there is none of that name. */
int netinfo_counters(const char *interface,
                     struct netinfo_counters *ret_counters);

/*
 * Confine a socket to an interface ("": do nothing).  What is sent goes out
 * there whatever the routes say, or not at all.
 */
int netinfo_tie(int socket, const char *interface);

#endif
