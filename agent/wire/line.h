/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_LINE_H
#define WIRE_LINE_H

#include <stdbool.h>

/* Texts cross the wire as one line: they end on terminals and in reports. */
static inline bool line_has_control_character(const char *text)
{
    for (; *text; text++) {
        if ((unsigned char) *text < 0x20 || *text == 0x7f)
            return true;
    }
    return false;
}

#endif
