/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/log.h"

#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

const char *const log_levels[] = { "error", "warning", "info", "debug", NULL };

static enum log_level log_level = LOG_LEVEL_WARNING;

void log_set_level(enum log_level level)
{
    log_level = level;
}

bool log_wants(enum log_level level)
{
    return level <= log_level;
}

/* The whole line goes out in one write, so that lines of several programs on
 * one terminal do not mix. */
__attribute__((format(printf, 2, 0))) static void
log_line(enum log_level level, const char *format, va_list arguments)
{
    char text[1024];

    if (!log_wants(level))
        return;
    (void) vsnprintf(text, sizeof(text), format, arguments);
    (void) fprintf(stderr, "bothends-agent: %s: %s\n", log_levels[level], text);
}

void log_error(const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    log_line(LOG_LEVEL_ERROR, format, arguments);
    va_end(arguments);
}

void log_warning(const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    log_line(LOG_LEVEL_WARNING, format, arguments);
    va_end(arguments);
}

void log_info(const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    log_line(LOG_LEVEL_INFO, format, arguments);
    va_end(arguments);
}

void log_debug(const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    log_line(LOG_LEVEL_DEBUG, format, arguments);
    va_end(arguments);
}
