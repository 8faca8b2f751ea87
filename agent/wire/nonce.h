/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_NONCE_H
#define WIRE_NONCE_H

#include "agent/wire/signature.h"

#include <stdint.h>

/*
 * The nonces that an agent gives out: BOOT-COUNTER-MAC in hexadecimal, MAC
 * being a truncated HMAC of the rest under the key.  So a nonce needs no memory
 * until it comes back.  Each is good once, among the latest NONCE_WINDOW given
 * out.
 */
#define NONCE_WINDOW 1024

struct nonce_mint {
    const struct wire_key *key; /* borrowed */
    uint64_t boot;              /* random, one a start of the agent */
    uint64_t next;              /* counter of the next one */
    uint64_t used[NONCE_WINDOW / 64];
};

void nonce_mint_init(struct nonce_mint *mint, const struct wire_key *key);
void nonce_give(struct nonce_mint *mint, char ret_nonce[NONCE_SIZE]);
/* 0 once for each nonce given out; else UV_EACCES and words. */
int nonce_spend(struct nonce_mint *mint, const char *nonce,
                struct fault *fault);

#endif
