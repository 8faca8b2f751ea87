/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_ICMP_H
#define AGENT_ICMP_H

#include "agent/stamped.h"

#include <bothends/fault.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

/*
 * ICMP and ICMPv6 echo (RFC 792, RFC 4443) to one address.
 *
 * A datagram ICMP socket is taken where the system allows it, else a raw one.
 * Answers and sendings are stamped by the kernel where it does so (answers some
 * ms after the opening at the earliest); all stamps are on the agent's
 * monotonic clock.
 *
 * Poll the socket for UV_READABLE | UV_PRIORITIZED and call icmp_next() until
 * it returns 0; call it also when the poll reports an error, and poll anew.
 */

enum icmp_socket_kind {
    ICMP_NONE,
    ICMP_DATAGRAM,
    ICMP_RAW
};

struct icmp_echo {
    int socket; /* -1: closed */
    int family;
    enum icmp_socket_kind kind;
    uint16_t identifier; /* ours, in network order; raw sockets only */
    struct stamped stamped;
};

struct icmp_way {
    const struct sockaddr *to;
    const struct sockaddr *from; /* source address; NULL: the system's choice */
    const char *interface;       /* tied to; "": any */
    bool whole; /* packets may not be fragmented, here or on the way */
};

/* On failure nothing is open; the fault says what to type where permission is
 * missing. */
int icmp_open(struct icmp_echo *icmp, const struct icmp_way *way,
              struct fault *fault);
void icmp_close(struct icmp_echo *icmp);

/*
 * Send one echo request with these data.  *ret_sent_ns is the time just before;
 * *ret_stamp is the number by which ICMP_SENT tells the kernel's stamp later.
 */
int icmp_send(struct icmp_echo *icmp, uint16_t sequence, const void *data,
              size_t data_bytes, uint64_t *ret_sent_ns, uint32_t *ret_stamp);

/* IP length of an echo request with so many data bytes. */
size_t icmp_wire_bytes(const struct icmp_echo *icmp, size_t data_bytes);

enum icmp_event_kind {
    ICMP_ANSWER, /* sequence, at_ns, from_kernel, ttl, data_bytes */
    ICMP_SENT,   /* stamp, at_ns: when the kernel sent it */
    ICMP_ERROR,  /* text: who said what of an earlier request */
};

struct icmp_event {
    enum icmp_event_kind kind;
    uint64_t at_ns;
    bool from_kernel; /* at_ns is the kernel's stamp, not the agent's */
    uint16_t sequence;
    uint8_t ttl; /* or hop limit; 0: not told */
    size_t data_bytes;
    uint32_t stamp;
    char text[160];
};

/* The next thing that has come: 1 and *ret_event, or 0 when there is none. */
int icmp_next(struct icmp_echo *icmp, struct icmp_event *ret_event);

#endif
