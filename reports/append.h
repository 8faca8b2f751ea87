/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_APPEND_H
#define REPORTS_APPEND_H

#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

/* Puts more behind the text that is there, in an array of that size; what has
 * no room is cut off. */
__attribute__((format(printf, 3, 4))) static inline void
append(char *text, size_t size, const char *format, ...)
{
    const size_t used = strlen(text);
    va_list arguments;

    va_start(arguments, format);
    (void) vsnprintf(text + used, size - used, format, arguments);
    va_end(arguments);
}

#endif
