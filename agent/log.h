/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_LOG_H
#define AGENT_LOG_H

#include <stdbool.h>

/*
 * Diagnostics, to standard error, one line each.  The message starts with the
 * module: "spool: cannot write ...".  error: it did not work; warning: it
 * worked otherwise; info: start, stop, one line an exchange; debug: the rest.
 */
enum log_level {
    LOG_LEVEL_ERROR,
    LOG_LEVEL_WARNING,
    LOG_LEVEL_INFO,
    LOG_LEVEL_DEBUG,
};

extern const char *const log_levels[]; /* their words, NULL-terminated */

void log_set_level(enum log_level level);
bool log_wants(enum log_level level);

void log_error(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_warning(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_info(const char *format, ...) __attribute__((format(printf, 1, 2)));
void log_debug(const char *format, ...) __attribute__((format(printf, 1, 2)));

#endif
