/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Exercises agent/exchanges/stamp.c: any octets are taken for a datagram.  As
 * they are, they are nobody's or forged; once they are signed, what is read
 * from them is what writing it gives again, and only a whole padding passes.
 */
#include "agent/exchanges/stamp.h"
#include "tests/support/replay.h"

#include <stdlib.h>
#include <string.h>

#define PACKET_BYTES_MAX 2048

static void require(bool holds)
{
    if (!holds)
        abort();
}

/* The last half ns before it comes round is rounded into the next round. */
static void check_times(uint64_t ntp)
{
    const int64_t unix_ns = stamp_unix_ns_of(ntp);
    const bool is_last =
        ntp >> 32 == 0x7fffffff && (uint32_t) ntp >= UINT32_MAX - 1;

    require(is_last || stamp_unix_ns_of(stamp_ntp_of(unix_ns)) == unix_ns);
}

static void check_probe(const uint8_t *packet)
{
    struct stamp_probe probe, again;
    uint8_t written[PACKET_BYTES_MAX];
    double error_s = 0;
    bool is_synchronised = false;

    stamp_read_probe(&stamp_authenticated, packet, &probe);
    stamp_write_probe(&stamp_authenticated, &probe, written);
    stamp_read_probe(&stamp_authenticated, written, &again);
    require(probe.sequence == again.sequence && probe.error == again.error
            && probe.session == again.session
            && probe.sent_ntp == again.sent_ntp);
    check_times(probe.sent_ntp);
    if (stamp_error_read(probe.error, &error_s, &is_synchronised)) {
        const uint16_t error = stamp_error_of(error_s, is_synchronised);
        double error_again_s = 0;

        require(stamp_error_read(error, &error_again_s, &is_synchronised));
        require(error_again_s == error_s);
    }
}

static void check_reply(const uint8_t *packet)
{
    struct stamp_reply reply, again;
    uint8_t written[PACKET_BYTES_MAX];

    stamp_read_reply(&stamp_authenticated, packet, &reply);
    stamp_write_reply(&stamp_authenticated, &reply, written);
    stamp_read_reply(&stamp_authenticated, written, &again);
    require(reply.sequence == again.sequence
            && reply.arrived_ntp == again.arrived_ntp
            && reply.probe.sequence == again.probe.sequence
            && reply.probe.sent_ntp == again.probe.sent_ntp
            && reply.probe.error == again.probe.error
            && reply.probe_ttl == again.probe_ttl);
    check_times(reply.arrived_ntp);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const size_t base_bytes = stamp_authenticated.base_bytes;
    uint8_t packet[PACKET_BYTES_MAX];
    struct stamp_session session;

    if (size > PACKET_BYTES_MAX)
        return 0;
    stamp_session_of("r1-fuzz", "ticket-of-the-fuzz", &session);
    require(stamp_judge(&session, data, size) != STAMP_OWN);
    if (size < base_bytes)
        return 0;
    memcpy(packet, data, size);
    packet[stamp_authenticated.session] = (uint8_t) (session.identifier >> 8);
    packet[stamp_authenticated.session + 1] = (uint8_t) session.identifier;
    stamp_sign(session.key, packet);
    const bool is_whole =
        stamp_is_padding(packet + base_bytes, size - base_bytes);
    require(stamp_judge(&session, packet, size)
            == (is_whole ? STAMP_OWN : STAMP_MALFORMED));
    require(!is_whole || size == base_bytes
            || size >= base_bytes + STAMP_TLV_HEAD_BYTES);
    check_probe(packet);
    check_reply(packet);
    packet[size % base_bytes] ^= 1;
    require(stamp_judge(&session, packet, size) != STAMP_OWN);
    return 0;
}
