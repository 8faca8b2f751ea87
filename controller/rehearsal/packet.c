/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/packet.h"

#include <netinet/in.h>
#include <string.h>

#define IDENTIFICATION "bothends id "

static unsigned read_16(const unsigned char *bytes)
{
    return (unsigned) bytes[0] << 8 | bytes[1];
}

static uint32_t read_32(const unsigned char *bytes)
{
    return (uint32_t) read_16(bytes) << 16 | read_16(bytes + 2);
}

/* The data of an identification: "bothends id EXCHANGE CALL ...". */
static void note_identification(struct packet *packet,
                                const unsigned char *data, size_t length)
{
    const size_t mark_length = strlen(IDENTIFICATION);

    if (length < mark_length || memcmp(data, IDENTIFICATION, mark_length) != 0)
        return;
    packet->is_identification = true;
    for (size_t i = 0; i + 1 < sizeof(packet->exchange); i++) {
        if (mark_length + i >= length || data[mark_length + i] <= ' '
            || data[mark_length + i] > '~')
            break;
        packet->exchange[i] = (char) data[mark_length + i];
    }
}

static void parse_tcp(struct packet *packet, const unsigned char *bytes,
                      size_t length)
{
    if (length < 20)
        return;
    const size_t header_bytes = (size_t) (bytes[12] >> 4) * 4;

    packet->source_port = read_16(bytes);
    packet->destination_port = read_16(bytes + 2);
    packet->tcp_sequence = read_32(bytes + 4);
    packet->tcp_acknowledgement = read_32(bytes + 8);
    packet->tcp_flags = bytes[13];
    packet->payload_bytes = length > header_bytes ? length - header_bytes : 0;
}

static void parse_udp(struct packet *packet, const unsigned char *bytes,
                      size_t length)
{
    if (length < 8)
        return;
    packet->source_port = read_16(bytes);
    packet->destination_port = read_16(bytes + 2);
    packet->payload_bytes = length - 8;
    note_identification(packet, bytes + 8, length - 8);
}

static void parse_icmp(struct packet *packet, const unsigned char *bytes,
                       size_t length)
{
    if (length < 8)
        return;
    packet->icmp_type = bytes[0];
    packet->payload_bytes = length - 8;
    const bool is_echo = packet->protocol == IPPROTO_ICMP
                             ? bytes[0] == 8 || bytes[0] == 0
                             : bytes[0] == 128 || bytes[0] == 129;
    if (is_echo) {
        packet->icmp_id = read_16(bytes + 4);
        packet->icmp_sequence = read_16(bytes + 6);
    }
}

static void parse_transport(struct packet *packet, const unsigned char *bytes,
                            size_t length)
{
    switch (packet->protocol) {
    case IPPROTO_TCP:
        parse_tcp(packet, bytes, length);
        break;
    case IPPROTO_UDP:
        parse_udp(packet, bytes, length);
        break;
    case IPPROTO_ICMP:
    case IPPROTO_ICMPV6:
        parse_icmp(packet, bytes, length);
        break;
    default:
        packet->payload_bytes = length;
    }
}

static bool parse_ipv4(const unsigned char *bytes, size_t length,
                       struct packet *packet)
{
    if (length < 20)
        return false;
    const size_t header_bytes = (size_t) (bytes[0] & 15) * 4;

    packet->ip_bytes = read_16(bytes + 2);
    if (header_bytes < 20 || packet->ip_bytes < header_bytes
        || packet->ip_bytes > length)
        return false;
    packet->protocol = bytes[9];
    memcpy(packet->source, bytes + 12, 4);
    memcpy(packet->destination, bytes + 16, 4);
    if (read_16(bytes + 6) & 0x1fff) /* a later fragment */
        packet->payload_bytes = packet->ip_bytes - header_bytes;
    else
        parse_transport(packet, bytes + header_bytes,
                        packet->ip_bytes - header_bytes);
    return true;
}

static bool parse_ipv6(const unsigned char *bytes, size_t length,
                       struct packet *packet)
{
    if (length < 40)
        return false;
    packet->ip_bytes = 40 + (size_t) read_16(bytes + 4);
    if (packet->ip_bytes > length)
        return false;
    packet->protocol = bytes[6];
    memcpy(packet->source, bytes + 8, 16);
    memcpy(packet->destination, bytes + 24, 16);
    parse_transport(packet, bytes + 40, packet->ip_bytes - 40);
    return true;
}

bool packet_parse(const unsigned char *bytes, size_t length,
                  struct packet *ret_packet)
{
    struct packet packet = { 0 };
    bool is_sane = false;

    if (length > 0) {
        packet.version = bytes[0] >> 4;
        if (packet.version == 4)
            is_sane = parse_ipv4(bytes, length, &packet);
        else if (packet.version == 6)
            is_sane = parse_ipv6(bytes, length, &packet);
    }
    if (is_sane)
        *ret_packet = packet;
    return is_sane;
}
