/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/lost.h"

#include <sys/socket.h>
#include <unistd.h>

void lost_keep(struct lost *lost)
{
    lost->is_keeping = true;
}

void lost_close(struct lost *lost, int socket)
{
    if (lost->is_keeping && lost->count < LOST_MOST)
        lost->sockets[lost->count++] = socket;
    else
        (void) close(socket);
}

void lost_reset(struct lost *lost)
{
    /* To linger for no time at all is to reset (RFC 9293, 3.10.4: abort). */
    const struct linger none = { .l_onoff = 1, .l_linger = 0 };

    for (size_t i = 0; i < lost->count; i++) {
        (void) setsockopt(lost->sockets[i], SOL_SOCKET, SO_LINGER, &none,
                          sizeof(none));
        (void) close(lost->sockets[i]);
    }
    lost->count = 0;
    lost->is_keeping = false;
}
