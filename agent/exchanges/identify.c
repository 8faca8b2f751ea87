/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/identify.h"

#include "agent/sockets.h"

#include <bothends/fields.h>
#include <errno.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>
#include <sys/uio.h>
#include <uv.h>

static const char start_words[] = "bothends id ";
static const char *const moments[] = { "begin", "during", "end" };

size_t identify_write(const struct exchange_order *order,
                      enum identify_moment moment,
                      char text[IDENTIFY_TEXT_SIZE])
{
    const char *call = order->own_call[0] ? order->own_call : order->own_name;

    return (size_t) snprintf(
        text, IDENTIFY_TEXT_SIZE,
        "%s%s %s de %s, test transmission: measuring a data link", start_words,
        order->id, moments[moment], call);
}

/* The next word of the text into room; false when it does not fit. */
static bool take_word(const char **at, const char *end, char *room,
                      size_t room_bytes)
{
    const char *start = *at;
    const char *stop = memchr(start, ' ', (size_t) (end - start));

    if (!stop || stop == start || (size_t) (stop - start) >= room_bytes)
        return false;
    memcpy(room, start, (size_t) (stop - start));
    room[stop - start] = '\0';
    *at = stop + 1;
    return true;
}

int identify_read(const char *text, size_t text_bytes, char ret_id[ID_SIZE],
                  enum identify_moment *ret_moment)
{
    const size_t start_bytes = sizeof(start_words) - 1;
    const char *at = text + start_bytes;
    const char *end = text + text_bytes;
    char id[ID_SIZE], moment[8];

    if (text_bytes <= start_bytes || memcmp(text, start_words, start_bytes) != 0
        || !take_word(&at, end, id, sizeof(id))
        || !take_word(&at, end, moment, sizeof(moment)))
        return UV_EINVAL;
    for (size_t i = 0; i < COUNT_OF(moments); i++) {
        if (strcmp(moment, moments[i]) != 0)
            continue;
        memcpy(ret_id, id, sizeof(id));
        *ret_moment = (enum identify_moment) i;
        return 0;
    }
    return UV_EINVAL;
}

/* --- sending ------------------------------------------------------------- */

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

int identify_send(int udp, const struct sockaddr *to,
                  const struct sockaddr *from, unsigned interface_index,
                  const char *text, size_t text_bytes, size_t *ret_ip_bytes)
{
    union control_room room;
    struct sockaddr_storage name = { 0 };
    char copy[IDENTIFY_TEXT_SIZE];
    struct iovec piece = { .iov_base = copy };
    struct msghdr message = {
        .msg_name = &name,
        .msg_namelen = sockets_length(to),
        .msg_iov = &piece,
        .msg_iovlen = 1,
    };

    if (text_bytes > sizeof(copy))
        return UV_E2BIG;
    memcpy(&name, to, sockets_length(to));
    memcpy(copy, text, text_bytes);
    piece.iov_len = text_bytes;
    put_way(&message, &room, to->sa_family, from, interface_index);
    if (sendmsg(udp, &message, MSG_DONTWAIT) < 0)
        return -errno;
    *ret_ip_bytes =
        (size_t) (to->sa_family == AF_INET6 ? 40 : 20) + 8 + text_bytes;
    return 0;
}
