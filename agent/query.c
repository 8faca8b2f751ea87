/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/query.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int hex_digit(char digit)
{
    if (digit >= '0' && digit <= '9')
        return digit - '0';
    if (digit >= 'a' && digit <= 'f')
        return digit - 'a' + 10;
    if (digit >= 'A' && digit <= 'F')
        return digit - 'A' + 10;
    return -1;
}

/* "%3A" at text: its byte, or -1. */
static int escaped_byte(const char *text, size_t text_bytes)
{
    if (text_bytes < 3 || hex_digit(text[1]) < 0 || hex_digit(text[2]) < 0)
        return -1;
    return hex_digit(text[1]) * 16 + hex_digit(text[2]);
}

static enum query_result decode(const char *text, size_t text_bytes, char *room,
                                size_t room_bytes)
{
    size_t used = 0;

    for (size_t i = 0; i < text_bytes; i++) {
        int byte = (unsigned char) text[i];

        if (byte == '%') {
            byte = escaped_byte(text + i, text_bytes - i);
            i += 2;
        }
        if (byte <= 0 || used + 1 >= room_bytes)
            return QUERY_WRONG;
        room[used++] = (char) byte;
    }
    room[used] = '\0';
    return QUERY_FOUND;
}

/* The part after this one, or NULL. */
static const char *next_part(const char *part)
{
    const char *mark = strchr(part, '&');

    return mark ? mark + 1 : NULL;
}

enum query_result query_text(const char *query, const char *name, char *room,
                             size_t room_bytes)
{
    const size_t name_length = strlen(name);

    for (const char *part = query; part && *part; part = next_part(part)) {
        const size_t length = strcspn(part, "&");

        if (length > name_length && part[name_length] == '='
            && strncmp(part, name, name_length) == 0)
            return decode(part + name_length + 1, length - name_length - 1,
                          room, room_bytes);
    }
    return QUERY_ABSENT;
}

enum query_result query_whole(const char *query, const char *name,
                              uint64_t most, uint64_t *ret_value)
{
    char text[24];
    char *end = NULL;
    const enum query_result result =
        query_text(query, name, text, sizeof(text));
    if (result != QUERY_FOUND)
        return result;
    errno = 0;
    const unsigned long long value = strtoull(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end || errno || value > most)
        return QUERY_WRONG;
    *ret_value = value;
    return QUERY_FOUND;
}

static bool is_known(const char *part, size_t length, const char *const *known)
{
    for (; *known; known++) {
        if (strlen(*known) == length && strncmp(part, *known, length) == 0)
            return true;
    }
    return false;
}

bool query_has_unknown(const char *query, const char *const *known, char *room,
                       size_t room_bytes)
{
    for (const char *part = query; part && *part; part = next_part(part)) {
        const size_t length = strcspn(part, "=&");

        if (length > 0 && !is_known(part, length, known)) {
            (void) snprintf(room, room_bytes, "%.*s",
                            (int) (length < 60 ? length : 60), part);
            return true;
        }
    }
    return false;
}
