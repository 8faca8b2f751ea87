/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_ADDRESS_H
#define AGENT_ADDRESS_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/socket.h>

/* What an exchange asks of addresses; agent/sockets.h reads them. */

uint16_t address_port(const struct sockaddr *address);

/* The same host; an IPv4-mapped IPv6 address is the IPv4 one.  Ports apart. */
bool address_is_same_host(const struct sockaddr *one,
                          const struct sockaddr *other);

/* Is it one of this computer's own, so that a socket can be bound to it? */
bool address_is_own(const struct sockaddr *address);

#endif
