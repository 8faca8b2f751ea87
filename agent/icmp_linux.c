/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/icmp.h"

#include "agent/netinfo.h"
#include "agent/sockets.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/icmp6.h>
#include <netinet/in.h>
#include <netinet/ip_icmp.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <sys/uio.h>
#include <unistd.h>
#include <uv.h>

/* netinet/ip_icmp.h and linux/icmp.h exclude each other; this one number of
 * the latter (a raw ICMP socket's filter by type) is part of the ABI. */
#define ICMP_FILTER_OPTION 1

#define ECHO_HEADER_BYTES 8
/* The largest answer: 65 535 bytes of IP packet. */
#define ANSWER_MOST_BYTES 65536

/* --- opening ------------------------------------------------------------- */

/* Datagram first: it needs no privilege where the owner of the computer has
 * allowed it, and the kernel sorts the answers. */
static int open_socket(struct icmp_echo *icmp, int family, struct fault *fault)
{
    const int protocol = family == AF_INET6 ? IPPROTO_ICMPV6 : IPPROTO_ICMP;
    const int flags = SOCK_CLOEXEC | SOCK_NONBLOCK;

    icmp->family = family;
    icmp->kind = ICMP_DATAGRAM;
    icmp->socket = socket(family, SOCK_DGRAM | flags, protocol);
    if (icmp->socket >= 0)
        return 0;
    icmp->kind = ICMP_RAW;
    icmp->socket = socket(family, SOCK_RAW | flags, protocol);
    if (icmp->socket >= 0)
        return 0;
    icmp->kind = ICMP_NONE;
    if (errno == EPERM || errno == EACCES)
        return fault_set(
            fault, UV_EPERM,
            "this agent may not send ICMP echo; on its computer type: sudo "
            "sysctl -w net.ipv4.ping_group_range=\"0 2147483647\"");
    return fault_set(fault, -errno, "cannot open an ICMP socket: %s",
                     strerror(errno));
}

static void set_number(const struct icmp_echo *icmp, int option, int number)
{
    (void) setsockopt(icmp->socket, SOL_SOCKET, option, &number,
                      sizeof(number));
}

/* A raw socket gets every ICMP packet: let the answers alone pass. */
static void filter_answers(const struct icmp_echo *icmp)
{
    if (icmp->family == AF_INET6) {
        struct icmp6_filter filter;

        ICMP6_FILTER_SETBLOCKALL(&filter);
        ICMP6_FILTER_SETPASS(ICMP6_ECHO_REPLY, &filter);
        (void) setsockopt(icmp->socket, IPPROTO_ICMPV6, ICMP6_FILTER, &filter,
                          sizeof(filter));
        return;
    }
    const uint32_t blocked = ~(UINT32_C(1) << ICMP_ECHOREPLY);
    (void) setsockopt(icmp->socket, SOL_RAW, ICMP_FILTER_OPTION, &blocked,
                      sizeof(blocked));
}

/* Options that only add facts: where one is missing the fact is missing. */
static void ask_for_facts(struct icmp_echo *icmp)
{
    stamped_own(&icmp->stamped, icmp->socket, icmp->family);
    set_number(icmp, SO_RCVBUF, 4 * ANSWER_MOST_BYTES);
    set_number(icmp, SO_SNDBUF, 4 * ANSWER_MOST_BYTES);
    if (icmp->kind == ICMP_RAW)
        filter_answers(icmp);
}

static int set_whole(const struct icmp_echo *icmp, bool whole)
{
    const bool is_v6 = icmp->family == AF_INET6;
    const int v4 = whole ? IP_PMTUDISC_PROBE : IP_PMTUDISC_DONT;
    const int v6 = whole ? IPV6_PMTUDISC_PROBE : IPV6_PMTUDISC_WANT;

    return setsockopt(icmp->socket, is_v6 ? IPPROTO_IPV6 : IPPROTO_IP,
                      is_v6 ? IPV6_MTU_DISCOVER : IP_MTU_DISCOVER,
                      is_v6 ? &v6 : &v4, sizeof(int));
}

static int settle(struct icmp_echo *icmp, const struct icmp_way *way,
                  struct fault *fault)
{
    char address[64] = "";

    if (netinfo_tie(icmp->socket, way->interface) != 0)
        return fault_set(fault, -errno,
                         "cannot tie the echo to interface '%s': %s",
                         way->interface, strerror(errno));
    if (set_whole(icmp, way->whole) != 0)
        return fault_set(fault, -errno, "cannot forbid fragments: %s",
                         strerror(errno));
    (void) uv_ip_name(way->from ? way->from : way->to, address,
                      sizeof(address));
    if (way->from
        && bind(icmp->socket, way->from, sockets_length(way->from)) != 0)
        return fault_set(fault, -errno, "cannot send from %s: %s", address,
                         strerror(errno));
    (void) uv_ip_name(way->to, address, sizeof(address));
    /* Connected: answers of others are not ours. */
    if (connect(icmp->socket, way->to, sockets_length(way->to)) != 0)
        return fault_set(fault, -errno, "no way to %s: %s", address,
                         strerror(errno));
    return 0;
}

int icmp_open(struct icmp_echo *icmp, const struct icmp_way *way,
              struct fault *fault)
{
    memset(icmp, 0, sizeof(*icmp));
    icmp->socket = -1;
    int status = open_socket(icmp, way->to->sa_family, fault);
    if (status != 0)
        return status;
    ask_for_facts(icmp);
    if (getrandom(&icmp->identifier, sizeof(icmp->identifier), 0) < 0)
        icmp->identifier = (uint16_t) getpid();
    status = settle(icmp, way, fault);
    if (status != 0)
        icmp_close(icmp);
    return status;
}

void icmp_close(struct icmp_echo *icmp)
{
    if (icmp->socket >= 0)
        (void) close(icmp->socket);
    icmp->socket = -1;
    icmp->kind = ICMP_NONE;
}

/* --- sending ------------------------------------------------------------- */

/* The Internet checksum (RFC 1071) over two pieces, the first of even size. */
static uint16_t checksum(const void *first, size_t first_bytes,
                         const void *second, size_t second_bytes)
{
    const unsigned char *pieces[] = { first, second };
    const size_t sizes[] = { first_bytes, second_bytes };
    uint32_t sum = 0;

    for (size_t piece = 0; piece < 2; piece++) {
        for (size_t i = 0; i < sizes[piece]; i++)
            sum += i % 2 ? pieces[piece][i] : (uint32_t) pieces[piece][i] << 8;
    }
    while (sum >> 16)
        sum = (sum & 0xffff) + (sum >> 16);
    return (uint16_t) ~sum;
}

/*
 *  0      7 8     15 16            31
 * +--------+--------+----------------+
 * |  type  |  code  |    checksum    |   RFC 792, RFC 4443 section 4.1
 * +--------+--------+----------------+
 * |   identifier    |    sequence    |
 * +-----------------+----------------+
 */
static void write_header(const struct icmp_echo *icmp, uint16_t sequence,
                         const void *data, size_t data_bytes,
                         unsigned char header[ECHO_HEADER_BYTES])
{
    memset(header, 0, ECHO_HEADER_BYTES);
    header[0] = icmp->family == AF_INET6 ? ICMP6_ECHO_REQUEST : ICMP_ECHO;
    memcpy(&header[4], &icmp->identifier, 2);
    header[6] = (unsigned char) (sequence >> 8);
    header[7] = (unsigned char) sequence;
    /* In the other cases the kernel writes it. */
    if (icmp->family == AF_INET && icmp->kind == ICMP_RAW) {
        const uint16_t sum =
            checksum(header, ECHO_HEADER_BYTES, data, data_bytes);

        header[2] = (unsigned char) (sum >> 8);
        header[3] = (unsigned char) sum;
    }
}

int icmp_send(struct icmp_echo *icmp, uint16_t sequence, const void *data,
              size_t data_bytes, uint64_t *ret_sent_ns, uint32_t *ret_stamp)
{
    unsigned char header[ECHO_HEADER_BYTES];
    struct iovec pieces[2] = {
        { .iov_base = header, .iov_len = sizeof(header) },
        { .iov_len = data_bytes },
    };
    const struct msghdr message = { .msg_iov = pieces, .msg_iovlen = 2 };

    memcpy(&pieces[1].iov_base, &data, sizeof(data)); /* sendmsg only reads */
    write_header(icmp, sequence, data, data_bytes, header);
    return stamped_send(&icmp->stamped, &message, ret_sent_ns, ret_stamp);
}

size_t icmp_wire_bytes(const struct icmp_echo *icmp, size_t data_bytes)
{
    return (size_t) (icmp->family == AF_INET6 ? 40 : 20) + ECHO_HEADER_BYTES
           + data_bytes;
}

/* --- receiving ----------------------------------------------------------- */

/* The echo answer in a packet, or false: a raw socket also gets the answers to
 * other programs, and its IPv4 packets start at the IP header. */
static bool read_answer(const struct icmp_echo *icmp,
                        const unsigned char *packet, size_t bytes,
                        struct icmp_event *event)
{
    const bool is_v6 = icmp->family == AF_INET6;

    if (!is_v6 && icmp->kind == ICMP_RAW) {
        const size_t ip_bytes = bytes ? 4 * (size_t) (packet[0] & 0x0f) : 0;

        if (ip_bytes < 20 || bytes < ip_bytes)
            return false;
        packet += ip_bytes;
        bytes -= ip_bytes;
    }
    if (bytes < ECHO_HEADER_BYTES
        || packet[0] != (is_v6 ? ICMP6_ECHO_REPLY : ICMP_ECHOREPLY))
        return false;
    if (icmp->kind == ICMP_RAW && memcmp(&packet[4], &icmp->identifier, 2) != 0)
        return false;
    event->sequence = (uint16_t) (packet[6] << 8 | packet[7]);
    event->data_bytes = bytes - ECHO_HEADER_BYTES;
    return true;
}

/* Bounded: what comes in faster than this waits for the next poll. */
#define STRANGERS_MOST 1000

/* False: it is not for us. */
static bool take_event(const struct icmp_echo *icmp,
                       const unsigned char *packet,
                       const struct stamped_event *stamped,
                       struct icmp_event *event)
{
    event->at_ns = stamped->at_ns;
    event->from_kernel = stamped->from_kernel;
    switch (stamped->kind) {
    case STAMPED_ARRIVED:
        event->kind = ICMP_ANSWER;
        event->ttl = stamped->ttl;
        return read_answer(icmp, packet, stamped->byte_count, event);
    case STAMPED_SENT:
        event->kind = ICMP_SENT;
        event->stamp = stamped->stamp;
        return true;
    case STAMPED_ERROR:
        event->kind = ICMP_ERROR;
        memcpy(event->text, stamped->text, sizeof(event->text));
        return true;
    }
    return false;
}

int icmp_next(struct icmp_echo *icmp, struct icmp_event *ret_event)
{
    static unsigned char room[ANSWER_MOST_BYTES]; /* loop thread only */
    struct stamped_event stamped;

    for (int strangers = 0; strangers < STRANGERS_MOST; strangers++) {
        memset(ret_event, 0, sizeof(*ret_event));
        const int found =
            stamped_next(&icmp->stamped, room, sizeof(room), &stamped);

        if (found == 0)
            return 0;
        if (found > 0 && take_event(icmp, room, &stamped, ret_event))
            return 1;
    }
    return 0;
}
