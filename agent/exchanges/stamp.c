/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/stamp.h"

#include <bothends/units.h>
#include <math.h>
#include <sodium.h>
#include <stdio.h>
#include <string.h>

#define NTP_MINUS_UNIX_S INT64_C(2208988800) /* 1900-01-01 to 1970-01-01 */
#define ERA_S            (INT64_C(1) << 32)

/* --- times ---------------------------------------------------------------- */

uint64_t stamp_ntp_of(int64_t unix_ns)
{
    const int64_t ns_per_s = (int64_t) NS_PER_S;
    int64_t unix_s = unix_ns / ns_per_s;
    int64_t rest_ns = unix_ns % ns_per_s;

    if (rest_ns < 0) {
        rest_ns += ns_per_s;
        unix_s--;
    }
    const uint64_t seconds = (uint32_t) (unix_s + NTP_MINUS_UNIX_S);

    return seconds << 32 | ((uint64_t) rest_ns << 32) / NS_PER_S;
}

/* Rounded to the nearest, so that what was cut in stamp_ntp_of() comes back. */
int64_t stamp_unix_ns_of(uint64_t ntp)
{
    const uint32_t fraction = (uint32_t) ntp;
    const uint64_t rest_ns =
        ((uint64_t) fraction * NS_PER_S + (UINT64_C(1) << 31)) >> 32;
    int64_t seconds = (int64_t) (ntp >> 32);

    if (seconds < ERA_S / 2)
        seconds += ERA_S;
    return (seconds - NTP_MINUS_UNIX_S) * (int64_t) NS_PER_S
           + (int64_t) rest_ns;
}

#define ERROR_SYNCHRONISED   0x8000
#define ERROR_LARGEST        0x3fff
#define ERROR_SCALE_MOST     63
#define ERROR_MULTIPLIER_MAX 255

/* Rounded up: the smallest Scale with which the Multiplier fits its octet. */
uint16_t stamp_error_of(double error_s, bool is_synchronised)
{
    const unsigned mark = is_synchronised ? ERROR_SYNCHRONISED : 0;

    for (int scale = 0; scale <= ERROR_SCALE_MOST; scale++) {
        const double multiplier = ceil(ldexp(error_s, 32 - scale));

        if (multiplier <= ERROR_MULTIPLIER_MAX)
            return (uint16_t) (mark | (unsigned) scale << 8
                               | (multiplier < 1 ? 1U : (unsigned) multiplier));
    }
    return (uint16_t) (mark | ERROR_LARGEST);
}

bool stamp_error_read(uint16_t error, double *ret_error_s,
                      bool *ret_is_synchronised)
{
    const int scale = error >> 8 & 0x3f;
    const int multiplier = error & 0xff;

    if (!multiplier)
        return false;
    *ret_error_s = ldexp(multiplier, scale - 32);
    *ret_is_synchronised = (error & ERROR_SYNCHRONISED) != 0;
    return true;
}

/* --- layouts -------------------------------------------------------------- */

static void put(uint8_t *packet, size_t at, size_t byte_count, uint64_t value)
{
    for (size_t i = byte_count; i-- > 0; value >>= 8)
        packet[at + i] = (uint8_t) value;
}

static uint64_t get(const uint8_t *packet, size_t at, size_t byte_count)
{
    uint64_t value = 0;

    for (size_t i = 0; i < byte_count; i++)
        value = value << 8 | packet[at + i];
    return value;
}

void stamp_write_probe(const struct stamp_layout *layout,
                       const struct stamp_probe *probe, uint8_t *room)
{
    memset(room, 0, layout->base_bytes);
    put(room, layout->sequence, 4, probe->sequence);
    put(room, layout->timestamp, 8, probe->sent_ntp);
    put(room, layout->error, 2, probe->error);
    put(room, layout->session, 2, probe->session);
}

void stamp_write_reply(const struct stamp_layout *layout,
                       const struct stamp_reply *reply, uint8_t *room)
{
    memset(room, 0, layout->base_bytes);
    put(room, layout->sequence, 4, reply->sequence);
    put(room, layout->timestamp, 8, reply->sent_ntp);
    put(room, layout->error, 2, reply->error);
    put(room, layout->session, 2, reply->session);
    put(room, layout->arrived, 8, reply->arrived_ntp);
    put(room, layout->sender_sequence, 4, reply->probe.sequence);
    put(room, layout->sender_timestamp, 8, reply->probe.sent_ntp);
    put(room, layout->sender_error, 2, reply->probe.error);
    put(room, layout->sender_ttl, 1, reply->probe_ttl);
}

void stamp_read_probe(const struct stamp_layout *layout, const uint8_t *packet,
                      struct stamp_probe *ret_probe)
{
    *ret_probe = (struct stamp_probe){
        .sequence = (uint32_t) get(packet, layout->sequence, 4),
        .sent_ntp = get(packet, layout->timestamp, 8),
        .error = (uint16_t) get(packet, layout->error, 2),
        .session = (uint16_t) get(packet, layout->session, 2),
    };
}

void stamp_read_reply(const struct stamp_layout *layout, const uint8_t *packet,
                      struct stamp_reply *ret_reply)
{
    *ret_reply = (struct stamp_reply){
        .sequence = (uint32_t) get(packet, layout->sequence, 4),
        .sent_ntp = get(packet, layout->timestamp, 8),
        .error = (uint16_t) get(packet, layout->error, 2),
        .session = (uint16_t) get(packet, layout->session, 2),
        .arrived_ntp = get(packet, layout->arrived, 8),
        .probe = {
            .sequence = (uint32_t) get(packet, layout->sender_sequence, 4),
            .sent_ntp = get(packet, layout->sender_timestamp, 8),
            .error = (uint16_t) get(packet, layout->sender_error, 2),
        },
        .probe_ttl = (uint8_t) get(packet, layout->sender_ttl, 1),
    };
}

/* --- integrity ------------------------------------------------------------ */

static void hmac_whole(const void *key, size_t key_bytes, const void *text,
                       size_t text_bytes,
                       uint8_t ret_hmac[crypto_auth_hmacsha256_BYTES])
{
    crypto_auth_hmacsha256_state state;

    crypto_auth_hmacsha256_init(&state, key, key_bytes);
    crypto_auth_hmacsha256_update(&state, text, text_bytes);
    crypto_auth_hmacsha256_final(&state, ret_hmac);
}

void stamp_hmac(const uint8_t key[STAMP_KEY_BYTES], const void *text,
                size_t text_bytes, uint8_t ret_hmac[STAMP_HMAC_BYTES])
{
    uint8_t whole[crypto_auth_hmacsha256_BYTES];

    hmac_whole(key, STAMP_KEY_BYTES, text, text_bytes, whole);
    memcpy(ret_hmac, whole, STAMP_HMAC_BYTES);
}

static size_t signed_bytes(void)
{
    return stamp_authenticated.base_bytes - STAMP_HMAC_BYTES;
}

void stamp_sign(const uint8_t key[STAMP_KEY_BYTES], uint8_t *packet)
{
    stamp_hmac(key, packet, signed_bytes(), packet + signed_bytes());
}

bool stamp_is_signed(const uint8_t key[STAMP_KEY_BYTES], const uint8_t *packet)
{
    uint8_t hmac[STAMP_HMAC_BYTES];

    stamp_hmac(key, packet, signed_bytes(), hmac);
    return sodium_memcmp(hmac, packet + signed_bytes(), sizeof(hmac)) == 0;
}

/* --- Extra Padding ---------------------------------------------------------
 */

/*
 *  0      7 8     15 16            31
 * +--------+--------+----------------+
 * |U       | type 1 |  length of the |   RFC 8972 section 4
 * |        |        |  octets after  |
 * +--------+--------+----------------+
 */
#define TLV_NOT_UNDERSTOOD 0x80
#define TLV_EXTRA_PADDING  1

void stamp_write_padding(uint8_t *head, size_t padding_bytes)
{
    head[0] = TLV_NOT_UNDERSTOOD;
    head[1] = TLV_EXTRA_PADDING;
    put(head, 2, 2, padding_bytes - STAMP_TLV_HEAD_BYTES);
}

bool stamp_is_padding(const uint8_t *octets, size_t octet_count)
{
    if (octet_count == 0)
        return true;
    return octet_count >= STAMP_TLV_HEAD_BYTES && octets[1] == TLV_EXTRA_PADDING
           && get(octets, 2, 2) == octet_count - STAMP_TLV_HEAD_BYTES;
}

void stamp_take_padding(uint8_t *head)
{
    head[0] &= (uint8_t) ~TLV_NOT_UNDERSTOOD;
}

/* --- sessions of two agents ------------------------------------------------
 */

void stamp_session_of(const char *id, const char *ticket,
                      struct stamp_session *ret_session)
{
    static const char purpose[] = "bothends timing ";
    uint8_t hash[crypto_hash_sha256_BYTES];
    char text[96];

    crypto_hash_sha256(hash, (const uint8_t *) id, strlen(id));
    ret_session->identifier = (uint16_t) get(hash, 0, 2);
    if (!ret_session->identifier)
        ret_session->identifier = 1;
    const int text_bytes = snprintf(text, sizeof(text), "%s%s", purpose, id);

    hmac_whole(ticket, strlen(ticket), text, (size_t) text_bytes,
               ret_session->key);
}

/* The identifier is read before anything is verified: it only chooses whose
 * key is tried. */
enum stamp_verdict stamp_judge(const struct stamp_session *session,
                               const uint8_t *packet, size_t packet_bytes)
{
    const size_t base_bytes = stamp_authenticated.base_bytes;

    if (packet_bytes < stamp_authenticated.session + 2
        || get(packet, stamp_authenticated.session, 2) != session->identifier)
        return STAMP_STRANGE;
    if (packet_bytes < base_bytes
        || !stamp_is_padding(packet + base_bytes, packet_bytes - base_bytes))
        return STAMP_MALFORMED;
    return stamp_is_signed(session->key, packet) ? STAMP_OWN : STAMP_FORGED;
}
