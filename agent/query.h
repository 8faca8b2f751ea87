/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_QUERY_H
#define AGENT_QUERY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * Reads a raw query ("to=fd00%3A%3A1&bytes=1500").  A value is percent-decoded;
 * one that has a bad escape, a NUL or no room is "wrong", not cut.
 */
enum query_result {
    QUERY_ABSENT,
    QUERY_FOUND,
    QUERY_WRONG
};

enum query_result query_text(const char *query, const char *name, char *room,
                             size_t room_bytes);
enum query_result query_whole(const char *query, const char *name,
                              uint64_t most, uint64_t *ret_value);
/* The first of the query's names that is not in the NULL-terminated list, into
 * room (cut to it); false: all are known. */
bool query_has_unknown(const char *query, const char *const *known, char *room,
                       size_t room_bytes);

#endif
