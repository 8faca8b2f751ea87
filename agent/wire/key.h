/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_KEY_H
#define WIRE_KEY_H

#include <bothends/fault.h>
#include <stdbool.h>
#include <stddef.h>

/*
 * The secret that a controller shares with an agent: 32 octets, kept in a file
 * of 64 hexadecimal digits and a newline that only its owner can read.
 * id names it in signatures: the first 8 hex digits of its SHA-256.
 */
#define WIRE_KEY_BYTES 32

struct wire_key {
    unsigned char bytes[WIRE_KEY_BYTES];
    char id[9];
};

/* A file that others can read, or that holds no key, is refused. */
int wire_key_read(const char *path, struct wire_key *ret_key,
                  struct fault *fault);
/* Make a new key and its file (0600); a file that is there stays as it is. */
int wire_key_create(const char *path, struct fault *fault);
void wire_key_random(struct wire_key *ret_key);
int wire_key_write(const char *path, const struct wire_key *key,
                   struct fault *fault);
void wire_key_clear(struct wire_key *key);

#endif
