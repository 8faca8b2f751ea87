/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_PACKET_H
#define REHEARSAL_PACKET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * What the ledger notes of an IP packet's headers (RFC 791, 8200, 9293, 768,
 * 792, 4443).  Fields that the packet does not have are 0; a later fragment
 * has no transport header.
 */
#define PACKET_ID_SIZE 40 /* as ID_SIZE of an exchange */

struct packet {
    int version;              /* 4, 6; 0: not IP */
    unsigned char source[16]; /* network order; IPv4 in the first 4 */
    unsigned char destination[16];
    unsigned protocol; /* as in the header: 6 TCP, 17 UDP, 1, 58 */
    unsigned source_port, destination_port;     /* TCP, UDP */
    uint32_t tcp_sequence, tcp_acknowledgement; /* raw */
    unsigned tcp_flags;                         /* the header's low 8 bits */
    unsigned icmp_type, icmp_id, icmp_sequence; /* id, sequence: of echoes */
    size_t ip_bytes;                            /* as the header says */
    size_t payload_bytes;          /* after the TCP, UDP or ICMP header */
    bool is_identification;        /* UDP data begin with "bothends id " */
    char exchange[PACKET_ID_SIZE]; /* the id that it names */
};

/* bytes begins with the IP header.  False when it is not whole, sane IP. */
bool packet_parse(const unsigned char *bytes, size_t length,
                  struct packet *ret_packet);

#endif
