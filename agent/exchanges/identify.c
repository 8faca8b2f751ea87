/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/identify.h"

#include "agent/sockets.h"

#include <bothends/fields.h>
#include <stdio.h>
#include <string.h>
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

int identify_send(int udp, const struct sockaddr *to,
                  const struct sockaddr *from, unsigned interface_index,
                  const char *text, size_t text_bytes, size_t *ret_ip_bytes)
{
    if (text_bytes > IDENTIFY_TEXT_SIZE)
        return UV_E2BIG;
    const int status =
        sockets_send(udp, to, from, interface_index, text, text_bytes);

    if (status == 0)
        *ret_ip_bytes = sockets_ip_bytes(to, text_bytes);
    return status;
}
