/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_SOCKETS_H
#define REHEARSAL_DRIVER_SOCKETS_H

#include <bothends/fault.h>
#include <stdint.h>
#include <sys/types.h>

/* What the practice link asks of the system: whole packets of a computer's
 * link, and to be told to stop. */

/* All that comes from the other side of that link, with the link-layer header;
 * nothing that we send ourselves. */
int driver_open_link(const char *veth, int *ret_socket, struct fault *fault);

/* Readable on SIGTERM, which the caller has blocked. */
int driver_open_stop(int *ret_fd, struct fault *fault);

/* The length of the next packet, and how long the kernel has kept it (0: not
 * told); negative: there is none. */
ssize_t driver_receive(int socket, void *bytes, size_t size,
                       uint64_t *ret_waited_ns);

/* Packets that the kernel had no room to keep for us, since the last call. */
uint64_t driver_missed_packets(int socket);

#endif
