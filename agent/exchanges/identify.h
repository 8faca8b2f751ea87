/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_IDENTIFY_H
#define AGENT_IDENTIFY_H

#include <bothends/exchange.h>
#include <stddef.h>
#include <sys/socket.h>

/*
 * The station identification that a transmitting end sends with its traffic: a
 * UDP datagram of plain text,
 *
 *   bothends id ID begin de CALL, test transmission ...
 *
 * Whether that satisfies a licence is for the licence's holder to say.
 */
enum identify_moment {
    IDENTIFY_BEGIN,
    IDENTIFY_DURING,
    IDENTIFY_END
};

#define IDENTIFY_TEXT_SIZE 256

/* The text of one, without NUL in the length returned. */
size_t identify_write(const struct exchange_order *order,
                      enum identify_moment moment,
                      char text[IDENTIFY_TEXT_SIZE]);

/* Is it one of ours?  0 and whose, or UV_EINVAL. */
int identify_read(const char *text, size_t text_bytes, char ret_id[ID_SIZE],
                  enum identify_moment *ret_moment);

/*
 * Send from one of the agent's own UDP sockets, with this source (NULL: the
 * system's choice) and by this interface (0: any).  *ret_ip_bytes is the IP
 * length of what went out.
 */
int identify_send(int udp, const struct sockaddr *to,
                  const struct sockaddr *from, unsigned interface_index,
                  const char *text, size_t text_bytes, size_t *ret_ip_bytes);

#endif
