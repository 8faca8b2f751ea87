/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_MEMORY_H
#define AGENT_MEMORY_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * Memory of our own, of sizes that are known or were held against a limit: when
 * there is none the program ends with a message, so callers do not check.
 */
static inline void *mem_checked(void *memory)
{
    if (!memory) {
        (void) fputs("bothends-agent: out of memory\n", stderr);
        abort();
    }
    return memory;
}

/* A zeroed object. */
#define mem_new(type) ((type *) mem_checked(calloc(1, sizeof(type))))

static inline void *mem_copy(const void *bytes, size_t byte_count)
{
    char *copy = mem_checked(malloc(byte_count + 1));

    if (byte_count)
        memcpy(copy, bytes, byte_count);
    copy[byte_count] = '\0'; /* so that a text may be read as a string */
    return copy;
}

static inline char *mem_text(const char *text)
{
    return mem_copy(text, strlen(text));
}

#endif
