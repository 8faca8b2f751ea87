/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_FAULT_H
#define BOTHENDS_FAULT_H

#include <stdarg.h>
#include <stdio.h>

/*
 * What went wrong, in words for the person who can act on it.
 *
 * Functions that can fail return 0 or a negative errno-style code (the ones
 * libuv gives, so codes from the loop pass through).  Where words help, a
 * struct fault goes in last; the first failure recorded wins.
 */
struct fault {
    int code; /* 0, or a negative code */
    char text[512];
};

/* Record a failure unless one is there already, and return the code. */
__attribute__((format(printf, 3, 4))) static inline int
fault_set(struct fault *fault, int code, const char *format, ...)
{
    if (fault && !fault->code) {
        va_list arguments;

        fault->code = code;
        va_start(arguments, format);
        (void) vsnprintf(fault->text, sizeof(fault->text), format, arguments);
        va_end(arguments);
    }
    return code;
}

#endif
