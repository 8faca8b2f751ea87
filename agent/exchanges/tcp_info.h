/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_TCP_INFO_H
#define AGENT_TCP_INFO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * What TCP itself says of a connection.  The system's header for it clashes
 * with others, so it stands in a file of its own (tcp_info_linux.c).
 */
struct download_tcp;

/* Fill a row but for its connection number; UV_ENOTSUP where not told. */
int tcp_info_read(int socket, struct download_tcp *ret_row);

struct tcp_queue {
    uint64_t unsent_bytes;  /* in the socket, never sent so far */
    uint64_t unacked_bytes; /* in the socket, sent or not */
    bool is_dead;           /* reset or timed out: nothing will move any more */
};

/* What waits in the socket; all 0 where the system does not tell. */
struct tcp_queue tcp_info_queue(int socket);

/* The name of its congestion control; "" where not told. */
void tcp_info_congestion_control(int socket, char *room, size_t room_bytes);

/* Closing shall throw away what is still queued: nothing may keep a far
 * transmitter going. */
void tcp_info_discard_on_close(int socket);

#endif
