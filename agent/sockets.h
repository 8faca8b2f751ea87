/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_SOCKETS_H
#define AGENT_SOCKETS_H

#include <bothends/fault.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

/*
 * Numeric addresses and the agent's own sockets.  All are non-blocking and
 * closed on exec; IPv6 ones carry IPv6 only, so that 0.0.0.0 and :: can be
 * listened on side by side.
 */
#define SOCKETS_TEXT_SIZE 80 /* "[address%interface]:port" */

/* 0, or UV_EINVAL with words.  A scope ("fe80::1%eth0") is understood. */
int sockets_parse(const char *address, uint16_t port,
                  struct sockaddr_storage *ret_address, struct fault *fault);
socklen_t sockets_length(const struct sockaddr *address);
bool sockets_is_loopback(const struct sockaddr *address);
/* "10.1.2.3:7907" or "[fd00::1]:7907". */
const char *sockets_print(const struct sockaddr *address,
                          char room[SOCKETS_TEXT_SIZE]);

/* The fault says which address, what is wrong and what can be done. */
int sockets_listen_tcp(const char *address, uint16_t port, int *ret_socket,
                       struct fault *fault);
int sockets_open_udp(const char *address, uint16_t port, int *ret_socket,
                     struct fault *fault);
/* The port that a socket is bound to; 0: none. */
uint16_t sockets_port(int socket);

/* Send from a UDP socket that many share, so that source (NULL: the system's
 * choice; its port does not matter) and interface (0: any) ride on the
 * datagram. */
int sockets_send(int udp, const struct sockaddr *to,
                 const struct sockaddr *from, unsigned interface_index,
                 const void *bytes, size_t byte_count);
/* The IP length of a UDP datagram with so many octets to that address. */
size_t sockets_ip_bytes(const struct sockaddr *to, size_t byte_count);

#endif
