/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/icmp.h"

#include "agent/clock.h"
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
#include <time.h>
#include <unistd.h>
#include <uv.h>

#include <linux/errqueue.h>
#include <linux/net_tstamp.h>

/* netinet/ip_icmp.h and linux/icmp.h exclude each other; this one number of
 * the latter (a raw ICMP socket's filter by type) is part of the ABI. */
#define ICMP_FILTER_OPTION 1

#define ECHO_HEADER_BYTES 8
#define STAMP_FLAGS                                                            \
    (SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_TX_SOFTWARE               \
     | SOF_TIMESTAMPING_SOFTWARE | SOF_TIMESTAMPING_OPT_TSONLY                 \
     | SOF_TIMESTAMPING_OPT_CMSG)

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

static void set_number(const struct icmp_echo *icmp, int level, int option,
                       int number)
{
    (void) setsockopt(icmp->socket, level, option, &number, sizeof(number));
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

/* Naming OPT_ID anew starts the kernel's count of sendings at 0. */
static void count_stamps_anew(struct icmp_echo *icmp)
{
    set_number(icmp, SOL_SOCKET, SO_TIMESTAMPING, STAMP_FLAGS);
    set_number(icmp, SOL_SOCKET, SO_TIMESTAMPING,
               STAMP_FLAGS | SOF_TIMESTAMPING_OPT_ID);
    icmp->stamp_base += icmp->stamp_count;
    icmp->stamp_count = 0;
}

/* Options that only add facts: where one is missing the fact is missing. */
static void ask_for_facts(struct icmp_echo *icmp)
{
    const bool is_v6 = icmp->family == AF_INET6;

    count_stamps_anew(icmp);
    set_number(icmp, SOL_SOCKET, SO_SELECT_ERR_QUEUE, 1);
    set_number(icmp, SOL_SOCKET, SO_RCVBUF, 4 * ANSWER_MOST_BYTES);
    set_number(icmp, SOL_SOCKET, SO_SNDBUF, 4 * ANSWER_MOST_BYTES);
    if (is_v6) {
        set_number(icmp, IPPROTO_IPV6, IPV6_RECVHOPLIMIT, 1);
        set_number(icmp, IPPROTO_IPV6, IPV6_RECVERR, 1);
    } else {
        set_number(icmp, IPPROTO_IP, IP_RECVTTL, 1);
        set_number(icmp, IPPROTO_IP, IP_RECVERR, 1);
    }
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

static int send_once(const struct icmp_echo *icmp, const struct msghdr *message,
                     uint64_t *ret_sent_ns)
{
    *ret_sent_ns = clock_now_ns();
    if (sendmsg(icmp->socket, message, 0) < 0)
        return -errno;
    return 0;
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
    int status = send_once(icmp, &message, ret_sent_ns);
    if (status != 0) {
        /* It may be the error that an earlier request earned: once more. */
        count_stamps_anew(icmp);
        status = send_once(icmp, &message, ret_sent_ns);
    }
    if (status != 0) {
        count_stamps_anew(icmp);
        return status;
    }
    *ret_stamp = icmp->stamp_base + icmp->stamp_count++;
    return 0;
}

size_t icmp_wire_bytes(const struct icmp_echo *icmp, size_t data_bytes)
{
    return (size_t) (icmp->family == AF_INET6 ? 40 : 20) + ECHO_HEADER_BYTES
           + data_bytes;
}

/* --- receiving ----------------------------------------------------------- */

/* What the kernel hands over beside a packet. */
struct beside {
    bool has_stamp, has_error;
    struct timespec stamp;
    uint8_t ttl;
    struct sock_extended_err error;
    struct sockaddr_storage offender;
};

static void read_error(const struct cmsghdr *control, struct beside *beside)
{
    const size_t bytes = control->cmsg_len - CMSG_LEN(0);
    const size_t head_bytes = sizeof(beside->error);

    if (bytes < head_bytes)
        return;
    beside->has_error = true;
    memcpy(&beside->error, CMSG_DATA(control), head_bytes);
    const size_t rest_bytes = bytes - head_bytes;
    memcpy(&beside->offender, CMSG_DATA(control) + head_bytes,
           rest_bytes < sizeof(beside->offender) ? rest_bytes
                                                 : sizeof(beside->offender));
}

static bool is_option(const struct cmsghdr *control, int level, int type)
{
    return control->cmsg_level == level && control->cmsg_type == type;
}

static void read_beside(struct msghdr *message, struct beside *beside)
{
    memset(beside, 0, sizeof(*beside));
    for (struct cmsghdr *control = CMSG_FIRSTHDR(message); control;
         control = CMSG_NXTHDR(message, control)) {
        if (is_option(control, SOL_SOCKET, SCM_TIMESTAMPING)) {
            memcpy(&beside->stamp, CMSG_DATA(control), sizeof(beside->stamp));
            beside->has_stamp = beside->stamp.tv_sec != 0;
        } else if (is_option(control, IPPROTO_IP, IP_TTL)
                   || is_option(control, IPPROTO_IPV6, IPV6_HOPLIMIT)) {
            int ttl;

            memcpy(&ttl, CMSG_DATA(control), sizeof(ttl));
            beside->ttl = (uint8_t) ttl;
        } else if (is_option(control, IPPROTO_IP, IP_RECVERR)
                   || is_option(control, IPPROTO_IPV6, IPV6_RECVERR)) {
            read_error(control, beside);
        }
    }
}

static ssize_t receive(const struct icmp_echo *icmp, int flags, void *room,
                       size_t room_bytes, struct beside *beside)
{
    union {
        struct cmsghdr align;
        unsigned char bytes[512];
    } control;
    struct iovec piece = { .iov_base = room, .iov_len = room_bytes };
    struct msghdr message = {
        .msg_iov = &piece,
        .msg_iovlen = 1,
        .msg_control = &control,
        .msg_controllen = sizeof(control),
    };
    const ssize_t bytes = recvmsg(icmp->socket, &message, flags);

    if (bytes >= 0)
        read_beside(&message, beside);
    return bytes;
}

/* A stamp is read soon after it was made. */
#define STAMP_OLDEST_NS (2 * NS_PER_S)
/* A clock that is off by more than this from one stamp to the next was set; one
 * that is being corrected slowly drifts by less than a thousandth. */
#define CLOCK_STEP_NS   NS_PER_MS
#define CLOCK_SLEW_PART 1000

static bool clock_was_set(const struct icmp_echo *icmp, int64_t difference_ns,
                          uint64_t now_ns)
{
    const int64_t step_ns = difference_ns - icmp->wall_minus_monotonic_ns;
    const uint64_t size_ns = (uint64_t) (step_ns < 0 ? -step_ns : step_ns);

    return icmp->stamp_read_ns
           && size_ns > CLOCK_STEP_NS
                            + (now_ns - icmp->stamp_read_ns) / CLOCK_SLEW_PART;
}

/*
 * The kernel's stamp, where it can be believed: it is wall clock, and when that
 * was set between the stamp and its reading, the conversion is off by as much.
 * Else false, and the time of reading has to do.
 */
static bool convert_stamp(struct icmp_echo *icmp, const struct timespec *stamp,
                          uint64_t now_ns, uint64_t *ret_at_ns)
{
    const int64_t difference_ns = clock_wall_minus_monotonic_ns(NULL);
    const bool was_set = clock_was_set(icmp, difference_ns, now_ns);
    const uint64_t at_ns = clock_from_wall(stamp, difference_ns);

    icmp->wall_minus_monotonic_ns = difference_ns;
    icmp->stamp_read_ns = now_ns;
    *ret_at_ns = now_ns;
    if (was_set || at_ns > now_ns + CLOCK_STEP_NS
        || at_ns + STAMP_OLDEST_NS < now_ns)
        return false;
    *ret_at_ns = at_ns;
    return true;
}

/* An ICMP error, in words. */
static void tell_error(const struct beside *beside, char *text,
                       size_t text_bytes)
{
    char offender[64] = "this computer";

    if (beside->error.ee_origin != SO_EE_ORIGIN_LOCAL)
        (void) uv_ip_name((const struct sockaddr *) &beside->offender, offender,
                          sizeof(offender));
    (void) snprintf(text, text_bytes, "%s says: %s (ICMP type %u code %u)",
                    offender, strerror((int) beside->error.ee_errno),
                    beside->error.ee_type, beside->error.ee_code);
}

/* From the error queue: a sending's stamp, or an ICMP error.  False: empty. */
static bool next_error(struct icmp_echo *icmp, struct icmp_event *event)
{
    struct beside beside;
    unsigned char room[64]; /* the request that it is about: not needed */

    if (receive(icmp, MSG_ERRQUEUE, room, sizeof(room), &beside) < 0)
        return false;
    if (beside.has_error
        && beside.error.ee_origin == SO_EE_ORIGIN_TIMESTAMPING) {
        event->kind = ICMP_SENT;
        event->stamp = icmp->stamp_base + beside.error.ee_data;
        event->from_kernel =
            convert_stamp(icmp, &beside.stamp, clock_now_ns(), &event->at_ns);
        return true;
    }
    event->kind = ICMP_ERROR;
    event->at_ns = clock_now_ns();
    tell_error(&beside, event->text, sizeof(event->text));
    return true;
}

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

/* 1: an answer; 0: nothing there; -1: something that is not for us. */
static int next_packet(struct icmp_echo *icmp, struct icmp_event *event)
{
    static unsigned char room[ANSWER_MOST_BYTES]; /* loop thread only */
    struct beside beside;
    const ssize_t bytes = receive(icmp, 0, room, sizeof(room), &beside);
    const uint64_t now_ns = clock_now_ns();

    if (bytes < 0)
        return errno == EAGAIN ? 0 : -1;
    if (!read_answer(icmp, room, (size_t) bytes, event))
        return -1;
    event->kind = ICMP_ANSWER;
    event->at_ns = now_ns;
    event->from_kernel =
        beside.has_stamp
        && convert_stamp(icmp, &beside.stamp, now_ns, &event->at_ns);
    event->ttl = beside.ttl;
    return 1;
}

/* Bounded: what comes in faster than this waits for the next poll. */
#define STRANGERS_MOST 1000

int icmp_next(struct icmp_echo *icmp, struct icmp_event *ret_event)
{
    for (int strangers = 0; strangers < STRANGERS_MOST; strangers++) {
        memset(ret_event, 0, sizeof(*ret_event));
        if (next_error(icmp, ret_event))
            return 1;
        const int found = next_packet(icmp, ret_event);
        if (found >= 0)
            return found;
    }
    return 0;
}
