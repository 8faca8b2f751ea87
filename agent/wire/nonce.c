/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/nonce.h"

#include <inttypes.h>
#include <sodium.h>
#include <string.h>
#include <uv.h>

/* BOOT (8 digits), COUNTER (8), MAC (16), dashes between. */
#define NONCE_LENGTH (8 + 1 + 8 + 1 + 16)
#define BOOT_MASK    UINT64_C(0xffffffff)

void nonce_mint_init(struct nonce_mint *mint, const struct wire_key *key)
{
    memset(mint, 0, sizeof(*mint));
    mint->key = key;
    randombytes_buf(&mint->boot, sizeof(mint->boot));
    mint->boot &= BOOT_MASK;
}

static void make_nonce(const struct nonce_mint *mint, uint64_t counter,
                       char ret_nonce[NONCE_SIZE])
{
    unsigned char code[crypto_auth_hmacsha256_BYTES];
    crypto_auth_hmacsha256_state state;
    char mac[17];
    const int length =
        snprintf(ret_nonce, NONCE_SIZE, "%08" PRIx64 "-%08" PRIx64, mint->boot,
                 counter & BOOT_MASK);

    (void) crypto_auth_hmacsha256_init(&state, mint->key->bytes,
                                       sizeof(mint->key->bytes));
    (void) crypto_auth_hmacsha256_update(&state,
                                         (const unsigned char *) "nonce ", 6);
    (void) crypto_auth_hmacsha256_update(
        &state, (const unsigned char *) ret_nonce, strlen(ret_nonce));
    (void) crypto_auth_hmacsha256_final(&state, code);
    (void) sodium_bin2hex(mac, sizeof(mac), code, 8);
    (void) snprintf(ret_nonce + length, NONCE_SIZE - (size_t) length, "-%s",
                    mac);
}

static uint64_t *used_word(struct nonce_mint *mint, uint64_t counter,
                           uint64_t *ret_bit)
{
    const uint64_t place = counter % NONCE_WINDOW;

    *ret_bit = UINT64_C(1) << (place % 64);
    return &mint->used[place / 64];
}

void nonce_give(struct nonce_mint *mint, char ret_nonce[NONCE_SIZE])
{
    const uint64_t counter = mint->next++;
    uint64_t bit = 0;

    *used_word(mint, counter, &bit) &= ~bit;
    make_nonce(mint, counter, ret_nonce);
}

int nonce_spend(struct nonce_mint *mint, const char *nonce, struct fault *fault)
{
    char expected[NONCE_SIZE];
    uint64_t counter = 0, bit = 0;

    if (strlen(nonce) != NONCE_LENGTH
        || sscanf(nonce + 9, "%8" SCNx64, &counter) != 1)
        return fault_set(fault, UV_EACCES,
                         "the nonce was not given out by this agent");
    make_nonce(mint, counter, expected);
    if (sodium_memcmp(nonce, expected, NONCE_LENGTH) != 0)
        return fault_set(fault, UV_EACCES,
                         "the nonce was not given out by this agent since its "
                         "start");
    if (counter >= mint->next || mint->next - counter > NONCE_WINDOW)
        return fault_set(fault, UV_EACCES, "the nonce is too old");
    uint64_t *word = used_word(mint, counter, &bit);
    if (*word & bit)
        return fault_set(fault, UV_EACCES,
                         "the nonce was used before: an old request does not "
                         "count twice");
    *word |= bit;
    return 0;
}
