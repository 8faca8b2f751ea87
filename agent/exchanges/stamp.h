/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_STAMP_H
#define AGENT_STAMP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The packets of the Simple Two-way Active Measurement Protocol: RFC 8762,
 * with the session identifier and the Extra Padding TLV of RFC 8972.  Nothing
 * here sends, waits or has a clock.
 *
 * The sessions of the agents use the authenticated mode only.  It is integrity
 * and no more: all fields are in clear text.
 */

/* --- times (NTP 64-bit format, RFC 8762 section 4.2.1) ---------------------
 */

/* Seconds since 1900 and 2^-32 of them; it comes round in 2036.  As ns since
 * 1970 it is taken for a time from 1968 to 2104 (RFC 5905 section 6). */
uint64_t stamp_ntp_of(int64_t unix_ns);
int64_t stamp_unix_ns_of(uint64_t ntp);

/*
 * Error Estimate (RFC 4656 section 4.1.2): bit 15 "synchronised to UTC", bit 14
 * the time format (0: NTP), 6 bits Scale, 8 bits Multiplier; the error in s is
 * Multiplier x 2^-32 x 2^Scale, rounded up.
 */
uint16_t stamp_error_of(double error_s, bool is_synchronised);
/* False: Multiplier 0, the packet is corrupt. */
bool stamp_error_read(uint16_t error, double *ret_error_s,
                      bool *ret_is_synchronised);

/* --- layouts -------------------------------------------------------------- */

/* Where the fields of a packet stand, in octets from its start; what no field
 * covers is 0. */
struct stamp_layout {
    size_t base_bytes;
    size_t sequence, timestamp, error, session;
    /* Of a reply only. */
    size_t arrived, sender_sequence, sender_timestamp, sender_error, sender_ttl;
};

/* clang-format off */
/* Authenticated, RFC 8762 sections 4.2.2 and 4.3.2, RFC 8972 section 3; the
 * last 16 octets are the HMAC of those before them. */
static const struct stamp_layout stamp_authenticated = {
    .base_bytes = 112,
    .sequence = 0, .timestamp = 16, .error = 24, .session = 26,
    .arrived = 32, .sender_sequence = 48, .sender_timestamp = 64, .sender_error = 72, .sender_ttl = 80,
};
/* clang-format on */

struct stamp_probe {
    uint32_t sequence;
    uint64_t sent_ntp; /* T1 */
    uint16_t error, session;
};

struct stamp_reply {
    uint32_t sequence; /* the reflector's own count */
    uint64_t sent_ntp; /* T3 */
    uint16_t error, session;
    uint64_t arrived_ntp;     /* T2 */
    struct stamp_probe probe; /* as it was; its session is not carried */
    uint8_t probe_ttl;
};

/* room holds the base packet.  The HMAC is not written. */
void stamp_write_probe(const struct stamp_layout *layout,
                       const struct stamp_probe *probe, uint8_t *room);
void stamp_write_reply(const struct stamp_layout *layout,
                       const struct stamp_reply *reply, uint8_t *room);
void stamp_read_probe(const struct stamp_layout *layout, const uint8_t *packet,
                      struct stamp_probe *ret_probe);
void stamp_read_reply(const struct stamp_layout *layout, const uint8_t *packet,
                      struct stamp_reply *ret_reply);

/* --- integrity (RFC 8762 section 4.4) --------------------------------------
 */

#define STAMP_KEY_BYTES  32
#define STAMP_HMAC_BYTES 16

/* The leftmost 128 bits of HMAC-SHA-256. */
void stamp_hmac(const uint8_t key[STAMP_KEY_BYTES], const void *text,
                size_t text_bytes, uint8_t ret_hmac[STAMP_HMAC_BYTES]);

/* Write the HMAC into an authenticated base packet; is it right there? */
void stamp_sign(const uint8_t key[STAMP_KEY_BYTES], uint8_t *packet);
bool stamp_is_signed(const uint8_t key[STAMP_KEY_BYTES], const uint8_t *packet);

/* --- Extra Padding (RFC 8972 section 4.1) ----------------------------------
 */

#define STAMP_TLV_HEAD_BYTES 4

/* After the base packet: its head, for so many octets with the head.  A
 * session sender marks it as not understood, as it has to. */
void stamp_write_padding(uint8_t *head, size_t padding_bytes);
/* Are these octets nothing, or one Extra Padding TLV exactly? */
bool stamp_is_padding(const uint8_t *octets, size_t octet_count);
/* A reflector understood it. */
void stamp_take_padding(uint8_t *head);

/* --- sessions of two agents ------------------------------------------------
 */

struct stamp_session {
    uint16_t identifier; /* never 0 */
    uint8_t key[STAMP_KEY_BYTES];
};

/*
 * Of an exchange, from what both orders hold: the identifier is made of the
 * exchange's id, the key of its ticket.
 */
void stamp_session_of(const char *id, const char *ticket,
                      struct stamp_session *ret_session);

/* What a datagram is to a session, before any other field of it is used. */
enum stamp_verdict {
    STAMP_OWN,
    STAMP_MALFORMED, /* of the session by its identifier, but of another form */
    STAMP_FORGED,    /* of the session by its identifier, but not signed so */
    STAMP_STRANGE,   /* another session's, or none's */
};

enum stamp_verdict stamp_judge(const struct stamp_session *session,
                               const uint8_t *packet, size_t packet_bytes);

#endif
