/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_STAMPED_H
#define AGENT_STAMPED_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

/*
 * What the kernel knows of a datagram beside its octets: when it came or went,
 * its TTL, where it was sent to, and what a router said of it.
 *
 * The kernel stamps where it does so (some ms after it was asked to at the
 * earliest); all stamps are on the agent's monotonic clock.
 */
struct stamped {
    int socket; /* borrowed */
    int family;
    uint32_t sent_count; /* sendings since the kernel counts them */
    uint32_t sent_base;  /* what stamped_send() had given out before that */
    int64_t wall_minus_monotonic_ns; /* at the last stamp */
    uint64_t stamp_read_ns;          /* when that was; 0: none yet */
};

/* Ask for arrival stamps, TTL and destination of what comes in; for a socket
 * that many share. */
void stamped_listen(struct stamped *stamped, int socket, int family);

/*
 * Ask for all of it, sending stamps and errors too, for a socket of one's own.
 * Poll it for UV_READABLE | UV_PRIORITIZED, and call stamped_next() until it
 * returns 0; call it also when the poll reports an error, and poll anew.
 */
void stamped_own(struct stamped *stamped, int socket, int family);

/*
 * Send; an error that an earlier datagram earned is not this one's.
 * *ret_sent_ns is the time just before; *ret_stamp is the number by which
 * STAMPED_SENT tells the kernel's stamp later.
 */
int stamped_send(struct stamped *stamped, const struct msghdr *message,
                 uint64_t *ret_sent_ns, uint32_t *ret_stamp);

enum stamped_event_kind {
    STAMPED_ARRIVED, /* all but stamp and text */
    STAMPED_SENT,    /* stamp, at_ns: when the kernel sent it */
    STAMPED_ERROR,   /* text: who said what of an earlier datagram */
};

struct stamped_event {
    enum stamped_event_kind kind;
    uint64_t at_ns;
    bool from_kernel; /* at_ns is the kernel's stamp, not the agent's */
    size_t byte_count;
    uint8_t ttl; /* or hop limit; 0: not told */
    struct sockaddr_storage from;
    struct sockaddr_storage to; /* family 0: not told; port 0 */
    uint32_t stamp;
    char text[160];
};

/* The next thing that has come, with its octets in the room: 1 and *ret_event;
 * 0 when there is none; or a negative UV_E... code. */
int stamped_next(struct stamped *stamped, void *room, size_t room_bytes,
                 struct stamped_event *ret_event);

#endif
