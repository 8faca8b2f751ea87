/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_LOST_H
#define CONTROLLER_LOST_H

#include <stdbool.h>
#include <stddef.h>

/*
 * Connections that were given up while nothing crossed the link.  Closed then,
 * their end would not reach the agent, and both computers would send what was
 * not acknowledged again, later and later: into the exchanges.  They are kept
 * until the link carries again, and reset: one packet ends each of them.
 */
#define LOST_MOST 64

struct lost {
    bool is_keeping;
    int sockets[LOST_MOST];
    size_t count;
};

/* From now on what is to be closed is kept. */
void lost_keep(struct lost *lost);
/* Takes the socket: closes it, or keeps it. */
void lost_close(struct lost *lost, int socket);
/* Reset those that were kept, and keep no more. */
void lost_reset(struct lost *lost);

#endif
