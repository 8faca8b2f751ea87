/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_CHARACTERS_H
#define BOTHENDS_CHARACTERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * Texts come from plans, agents and the web, and end on terminals and in
 * reports: what could command a terminal, or make a name read as another one,
 * must not get there.
 */
#define CHARACTER_NONE UINT32_MAX

/* The character at text, which is not at its end: its code point, and how many
 * bytes it takes.  CHARACTER_NONE and 1: no well-formed UTF-8 (RFC 3629). */
static inline uint32_t character_at(const char *text, size_t *ret_bytes)
{
    static const uint32_t least[] = { 0, 0x80, 0x800, 0x10000 };
    const unsigned char *at = (const unsigned char *) text;
    const unsigned more = at[0] < 0x80             ? 0
                          : (at[0] & 0xe0) == 0xc0 ? 1
                          : (at[0] & 0xf0) == 0xe0 ? 2
                          : (at[0] & 0xf8) == 0xf0 ? 3
                                                   : 4;
    uint32_t code = more ? at[0] & (0x3fU >> more) : at[0];

    *ret_bytes = 1;
    if (more == 4)
        return CHARACTER_NONE;
    for (unsigned i = 1; i <= more; i++) {
        if ((at[i] & 0xc0) != 0x80)
            return CHARACTER_NONE;
        code = code << 6 | (at[i] & 0x3fU);
    }
    if (code < least[more] || code > 0x10ffff
        || (code >= 0xd800 && code <= 0xdfff))
        return CHARACTER_NONE;
    *ret_bytes = more + 1;
    return code;
}

/* Not a control (C0, DEL, C1), not a separator of lines, not a mark that turns
 * the direction of writing, not a byte order mark, and a character at all. */
static inline bool character_is_clean(uint32_t code)
{
    return code != CHARACTER_NONE && code >= 0x20
           && !(code >= 0x7f && code < 0xa0)
           && !(code >= 0x200e && code <= 0x200f)
           && !(code >= 0x2028 && code <= 0x202e)
           && !(code >= 0x2066 && code <= 0x2069) && code != 0xfeff;
}

static inline bool text_is_clean(const char *text)
{
    size_t bytes;

    for (; *text; text += bytes) {
        if (!character_is_clean(character_at(text, &bytes)))
            return false;
    }
    return true;
}

#endif
