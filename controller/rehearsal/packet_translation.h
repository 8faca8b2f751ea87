/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_PACKET_TRANSLATION_H
#define REHEARSAL_PACKET_TRANSLATION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * Address translation as a router in front of a station does it (RFC 3022, with
 * ports; filtering as in RFC 4787, section 5: address-dependent).  Packets that
 * leave get the router's address and a port of its own as their source; what
 * comes is handed on only from a host to which something has been sent.  IPv4;
 * TCP, UDP and ICMP echoes.
 */
#define TRANSLATION_ENTRIES_MAX 512
#define TRANSLATION_FIRST_PORT  20000

struct translation_entry {
    unsigned protocol; /* 0: free */
    unsigned char inner[4], peer[4];
    uint16_t inner_port; /* or the id of an echo */
};

struct translation {
    unsigned char outer[4]; /* the router's address, network order */
    struct translation_entry entries[TRANSLATION_ENTRIES_MAX];
    size_t next; /* the oldest: given away when all are taken */
};

/* Change the packet in place; bytes begins with a whole IPv4 header.  False:
 * it does not pass, and is left as it was. */
bool translation_out(struct translation *translation, unsigned char *bytes,
                     size_t length);
bool translation_in(struct translation *translation, unsigned char *bytes,
                    size_t length);

#endif
