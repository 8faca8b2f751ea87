/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/sockets.h"

#include <errno.h>
#include <netinet/in.h>
#include <string.h>
#include <sys/uio.h>

union control_room {
    struct cmsghdr align;
    unsigned char bytes[128];
};

static void put_control(struct msghdr *message, union control_room *room,
                        int level, int type, const void *value,
                        size_t value_bytes)
{
    memset(room, 0, sizeof(*room));
    message->msg_control = room;
    message->msg_controllen = CMSG_SPACE(value_bytes);
    struct cmsghdr *control = CMSG_FIRSTHDR(message);
    control->cmsg_level = level;
    control->cmsg_type = type;
    control->cmsg_len = CMSG_LEN(value_bytes);
    memcpy(CMSG_DATA(control), value, value_bytes);
}

/* The socket is shared, so source and interface ride on the datagram. */
static void put_way(struct msghdr *message, union control_room *room,
                    int family, const struct sockaddr *from,
                    unsigned interface_index)
{
    if (from && from->sa_family != family)
        from = NULL;
    if (!from && !interface_index)
        return;
    if (family == AF_INET6) {
        struct in6_pktinfo way = { .ipi6_ifindex = interface_index };

        if (from)
            way.ipi6_addr = ((const struct sockaddr_in6 *) from)->sin6_addr;
        put_control(message, room, IPPROTO_IPV6, IPV6_PKTINFO, &way,
                    sizeof(way));
        return;
    }
    struct in_pktinfo way = { .ipi_ifindex = (int) interface_index };
    if (from)
        way.ipi_spec_dst = ((const struct sockaddr_in *) from)->sin_addr;
    put_control(message, room, IPPROTO_IP, IP_PKTINFO, &way, sizeof(way));
}

int sockets_send(int udp, const struct sockaddr *to,
                 const struct sockaddr *from, unsigned interface_index,
                 const void *bytes, size_t byte_count)
{
    union control_room room;
    struct sockaddr_storage name = { 0 };
    struct iovec piece = { .iov_len = byte_count };
    struct msghdr message = {
        .msg_name = &name,
        .msg_namelen = sockets_length(to),
        .msg_iov = &piece,
        .msg_iovlen = 1,
    };

    memcpy(&name, to, sockets_length(to));
    memcpy(&piece.iov_base, &bytes, sizeof(bytes)); /* sendmsg only reads */
    put_way(&message, &room, to->sa_family, from, interface_index);
    if (sendmsg(udp, &message, MSG_DONTWAIT) < 0)
        return -errno;
    return 0;
}

size_t sockets_ip_bytes(const struct sockaddr *to, size_t byte_count)
{
    const size_t ip_header_bytes = to->sa_family == AF_INET6 ? 40 : 20;
    const size_t udp_header_bytes = 8;

    return ip_header_bytes + udp_header_bytes + byte_count;
}
