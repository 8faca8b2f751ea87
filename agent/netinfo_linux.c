/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/netinfo.h"

#include <arpa/inet.h>
#include <errno.h>
#include <net/if.h>
#include <netinet/in.h>
#include <string.h>
#include <sys/time.h>
#include <unistd.h>
#include <uv.h>

#include <linux/if_link.h>
#include <linux/netlink.h>
#include <linux/rtnetlink.h>

/* An answer with all of a link's attributes; 8 kB is what the kernel sends. */
#define ANSWER_SIZE 16384
#define WAIT_S      2

/* One question to the kernel's routing part, and its answer. */
struct question {
    struct nlmsghdr head;
    union {
        struct rtmsg route;
        struct ifinfomsg link;
    } body;
    unsigned char attributes[256];
};

struct answer {
    union {
        struct nlmsghdr head;
        unsigned char bytes[ANSWER_SIZE];
    } message;
};

static void begin(struct question *question, uint16_t type, size_t body_size)
{
    memset(question, 0, sizeof(*question));
    question->head.nlmsg_len = (uint32_t) NLMSG_LENGTH(body_size);
    question->head.nlmsg_type = type;
    question->head.nlmsg_flags = NLM_F_REQUEST;
}

/* All that we ask fits the room: two addresses, a number and a name. */
static void attach(struct question *question, uint16_t type, const void *value,
                   size_t value_bytes)
{
    unsigned char *at =
        (unsigned char *) question + NLMSG_ALIGN(question->head.nlmsg_len);
    const struct rtattr head = {
        .rta_len = (uint16_t) RTA_LENGTH(value_bytes),
        .rta_type = type,
    };

    memcpy(at, &head, sizeof(head));
    memcpy(at + RTA_LENGTH(0), value, value_bytes);
    question->head.nlmsg_len = NLMSG_ALIGN(question->head.nlmsg_len)
                               + (uint32_t) RTA_SPACE(value_bytes);
}

/* Loopback to the kernel: the answer is there at once, the wait is a bound. */
static int exchange_messages(int netlink, const struct question *question,
                             struct answer *answer)
{
    const struct timeval wait = { .tv_sec = WAIT_S };

    (void) setsockopt(netlink, SOL_SOCKET, SO_RCVTIMEO, &wait, sizeof(wait));
    if (send(netlink, question, question->head.nlmsg_len, 0) < 0)
        return -errno;
    const ssize_t bytes =
        recv(netlink, &answer->message, sizeof(answer->message), 0);
    if (bytes < 0)
        return -errno;
    if (!NLMSG_OK(&answer->message.head, (size_t) bytes))
        return UV_EPROTO;
    if (answer->message.head.nlmsg_type == NLMSG_ERROR) {
        const struct nlmsgerr *error = NLMSG_DATA(&answer->message.head);

        return error->error ? error->error : UV_EPROTO;
    }
    return 0;
}

static int ask(const struct question *question, struct answer *answer)
{
    const int netlink =
        socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE);

    if (netlink < 0)
        return -errno;
    const int status = exchange_messages(netlink, question, answer);
    (void) close(netlink);
    return status;
}

static const struct rtattr *find_attribute(const struct rtattr *first,
                                           size_t bytes, uint16_t type)
{
    const struct rtattr *at = first;

    while (RTA_OK(at, bytes)) {
        if ((at->rta_type & NLA_TYPE_MASK) == type)
            return at;
        const size_t step = RTA_ALIGN(at->rta_len);
        if (step > bytes)
            return NULL;
        bytes -= step;
        at = (const struct rtattr *) ((const char *) at + step);
    }
    return NULL;
}

static const void *value_of(const struct rtattr *attribute)
{
    return (const char *) attribute + RTA_LENGTH(0);
}

static size_t value_bytes_of(const struct rtattr *attribute)
{
    return attribute->rta_len - RTA_LENGTH(0);
}

static uint32_t number_of(const struct rtattr *attribute)
{
    uint32_t number = 0;

    if (attribute && value_bytes_of(attribute) >= sizeof(number))
        memcpy(&number, value_of(attribute), sizeof(number));
    return number;
}

/* --- counters ------------------------------------------------------------ */

int netinfo_counters(const char *interface,
                     struct netinfo_counters *ret_counters)
{
    struct question question;
    struct answer answer = { 0 };

    begin(&question, RTM_GETLINK, sizeof(struct ifinfomsg));
    question.body.link.ifi_index = (int) if_nametoindex(interface);
    if (!question.body.link.ifi_index)
        return UV_ENODEV;
    const int status = ask(&question, &answer);
    if (status != 0)
        return status;

    struct nlmsghdr *head = &answer.message.head;
    const struct rtattr *first = IFLA_RTA(NLMSG_DATA(head));
    const size_t bytes = IFLA_PAYLOAD(head);
    const struct rtattr *counters = find_attribute(first, bytes, IFLA_STATS64);
    struct rtnl_link_stats64 stats = { 0 };
    if (!counters)
        return UV_ENOTSUP;
    const size_t told_bytes = value_bytes_of(counters);
    memcpy(&stats, value_of(counters),
           told_bytes < sizeof(stats) ? told_bytes : sizeof(stats));
    *ret_counters = (struct netinfo_counters){
        .sent_bytes = stats.tx_bytes,
        .received_bytes = stats.rx_bytes,
        .sent_packets = stats.tx_packets,
        .received_packets = stats.rx_packets,
        .mtu_bytes = number_of(find_attribute(first, bytes, IFLA_MTU)),
    };
    return 0;
}

/* --- route --------------------------------------------------------------- */

static const void *octets_of(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET6)
        return &((const struct sockaddr_in6 *) address)->sin6_addr;
    return &((const struct sockaddr_in *) address)->sin_addr;
}

static unsigned zone_of(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET6)
        return ((const struct sockaddr_in6 *) address)->sin6_scope_id;
    return 0;
}

static int ask_route(const struct sockaddr *to, const struct sockaddr *from,
                     unsigned interface_index, struct answer *answer)
{
    const size_t octets = to->sa_family == AF_INET6 ? 16 : 4;
    struct question question;

    begin(&question, RTM_GETROUTE, sizeof(struct rtmsg));
    question.body.route.rtm_family = (unsigned char) to->sa_family;
    question.body.route.rtm_dst_len = (unsigned char) (8 * octets);
    attach(&question, RTA_DST, octets_of(to), octets);
    if (from && from->sa_family == to->sa_family) {
        question.body.route.rtm_src_len = (unsigned char) (8 * octets);
        attach(&question, RTA_SRC, octets_of(from), octets);
    }
    if (interface_index)
        attach(&question, RTA_OIF, &interface_index, sizeof(interface_index));
    return ask(&question, answer);
}

static void write_octets(int family, const struct rtattr *attribute, char *room,
                         socklen_t room_bytes)
{
    const size_t octets = family == AF_INET6 ? 16 : 4;

    room[0] = '\0';
    if (attribute && value_bytes_of(attribute) >= octets)
        (void) inet_ntop(family, value_of(attribute), room, room_bytes);
}

/* A gateway of the other family (RFC 8950) comes as RTA_VIA. */
static void write_gateway(int family, const struct rtattr *first, size_t bytes,
                          char *room, socklen_t room_bytes)
{
    const struct rtattr *via = find_attribute(first, bytes, RTA_VIA);

    write_octets(family, find_attribute(first, bytes, RTA_GATEWAY), room,
                 room_bytes);
    if (via && value_bytes_of(via) >= sizeof(struct rtvia) + 16) {
        const struct rtvia *gateway = value_of(via);

        (void) inet_ntop(gateway->rtvia_family, gateway->rtvia_addr, room,
                         room_bytes);
    }
}

/* What the route says, or has learnt of the path; else the interface's. */
static uint64_t route_mtu_bytes(const struct rtattr *first, size_t bytes,
                                const char *interface)
{
    const struct rtattr *metrics = find_attribute(first, bytes, RTA_METRICS);
    struct netinfo_counters counters = { 0 };
    uint32_t mtu_bytes = 0;

    if (metrics)
        mtu_bytes = number_of(find_attribute(
            value_of(metrics), value_bytes_of(metrics), RTAX_MTU));
    if (mtu_bytes)
        return mtu_bytes;
    (void) netinfo_counters(interface, &counters);
    return counters.mtu_bytes;
}

int netinfo_route(const struct sockaddr *to, const struct sockaddr *from,
                  const char *interface, struct netinfo_route *ret_route,
                  struct fault *fault)
{
    struct netinfo_route route = { 0 };
    struct answer answer = { 0 };
    char target[ADDRESS_SIZE] = "";
    unsigned interface_index = zone_of(to);

    (void) uv_ip_name(to, target, sizeof(target));
    if (interface[0]) {
        interface_index = if_nametoindex(interface);
        if (!interface_index)
            return fault_set(fault, UV_ENODEV, "there is no interface '%s'",
                             interface);
    }
    const int status = ask_route(to, from, interface_index, &answer);
    if (status != 0)
        return fault_set(fault, status, "no way to %s: %s", target,
                         uv_strerror(status));

    struct nlmsghdr *head = &answer.message.head;
    struct rtmsg *told = NLMSG_DATA(head);
    const struct rtattr *first = RTM_RTA(told);
    const size_t bytes = RTM_PAYLOAD(head);
    route.is_own = told->rtm_type == RTN_LOCAL;
    route.interface_index = number_of(find_attribute(first, bytes, RTA_OIF));
    char name[IF_NAMESIZE] = "";
    if (if_indextoname(route.interface_index, name))
        (void) snprintf(route.interface, sizeof(route.interface), "%s", name);
    if (from)
        (void) uv_ip_name(from, route.source_address,
                          sizeof(route.source_address));
    else
        write_octets(to->sa_family, find_attribute(first, bytes, RTA_PREFSRC),
                     route.source_address, sizeof(route.source_address));
    write_gateway(to->sa_family, first, bytes, route.gateway,
                  sizeof(route.gateway));
    route.mtu_bytes = route_mtu_bytes(first, bytes, route.interface);
    *ret_route = route;
    return 0;
}

int netinfo_tie(int socket, const char *interface)
{
    if (!interface[0])
        return 0;
    if (setsockopt(socket, SOL_SOCKET, SO_BINDTODEVICE, interface,
                   (socklen_t) strlen(interface))
        != 0)
        return -errno;
    return 0;
}
