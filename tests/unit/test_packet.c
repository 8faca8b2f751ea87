/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/packet.h"
#include "controller/rehearsal/packet_translation.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static void a_tcp_segment_gives_ports_numbers_and_flags(void **state)
{
    static const unsigned char bytes[] = {
        /* IPv4: 20 B header, 45 B in all, TCP, 192.0.2.1 to 192.0.2.2 */
        0x45, 0, 0, 45, 0, 1, 0x40, 0, 64, 6, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2,
        /* TCP: 40000 to 7907, sequence, acknowledgement, ACK and PSH */
        0x9c, 0x40, 0x1e, 0xe3, 0xff, 0xff, 0xff, 0xfe, 0, 0, 1, 2, 0x50, 0x18,
        1, 0, 0, 0, 0, 0,
        /* five bytes of data; three of Ethernet padding follow */
        'a', 'b', 'c', 'd', 'e', 0, 0, 0
    };
    struct packet packet;

    (void) state;
    assert_true(packet_parse(bytes, sizeof(bytes), &packet));
    assert_int_equal(packet.version, 4);
    assert_int_equal(packet.protocol, 6);
    assert_int_equal(packet.ip_bytes, 45);
    assert_int_equal(packet.payload_bytes, 5);
    assert_int_equal(packet.source_port, 40000);
    assert_int_equal(packet.destination_port, 7907);
    assert_true(packet.tcp_sequence == UINT32_C(0xfffffffe));
    assert_int_equal(packet.tcp_acknowledgement, 258);
    assert_int_equal(packet.tcp_flags, 0x18);
    assert_int_equal(packet.destination[3], 2);
}

static void an_echo_over_ipv6_gives_its_number(void **state)
{
    static const unsigned char bytes[] = {
        0x60, 0, 0, 0, 0, 10, 58, 64, 0xfd, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
        0, 0, 1, 0xfd, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2,
        /* ICMPv6 echo reply, id 0x1234, sequence 7, two bytes of data */
        129, 0, 0, 0, 0x12, 0x34, 0, 7, 1, 2
    };
    struct packet packet;

    (void) state;
    assert_true(packet_parse(bytes, sizeof(bytes), &packet));
    assert_int_equal(packet.version, 6);
    assert_int_equal(packet.ip_bytes, 50);
    assert_int_equal(packet.icmp_type, 129);
    assert_int_equal(packet.icmp_id, 0x1234);
    assert_int_equal(packet.icmp_sequence, 7);
    assert_int_equal(packet.payload_bytes, 2);
}

/* Fills an IPv4 UDP packet around the text; returns its length. */
static size_t make_datagram(unsigned char *bytes, const char *text)
{
    const size_t length = strlen(text);

    memset(bytes, 0, 28);
    bytes[0] = 0x45;
    bytes[3] = (unsigned char) (28 + length);
    bytes[9] = 17;
    memcpy(bytes + 28, text, length);
    return 28 + length;
}

static void an_identification_is_marked_with_its_exchange(void **state)
{
    static const struct {
        const char *text;
        bool is_identification;
        const char *exchange;
    } cases[] = {
        { "bothends id r3-g12-0 Q0WEI", true, "r3-g12-0" },
        { "bothends id r3", true, "r3" },
        { "bothends id ", true, "" },
        { "bothends i", false, "" },
        { "both ends id r3", false, "" },
        { "bothends id r\t3", true, "r" },
        { "bothends id "
          "0123456789012345678901234567890123456789012345678901234567890123",
          true, "012345678901234567890123456789012345678" },
    };

    (void) state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        unsigned char bytes[256];
        struct packet packet;
        const size_t length = make_datagram(bytes, cases[i].text);

        assert_true(packet_parse(bytes, length, &packet));
        assert_int_equal(packet.is_identification, cases[i].is_identification);
        assert_string_equal(packet.exchange, cases[i].exchange);
    }
}

static void what_is_not_whole_ip_is_refused(void **state)
{
    unsigned char bytes[256];
    struct packet packet;

    (void) state;
    const size_t length = make_datagram(bytes, "bothends id r3");

    for (size_t cut = 0; cut < length; cut++)
        assert_false(packet_parse(bytes, cut, &packet));
    bytes[0] = 0x44; /* a header of 16 B */
    assert_false(packet_parse(bytes, length, &packet));
    bytes[0] = 0x4f; /* a header longer than the packet */
    assert_false(packet_parse(bytes, length, &packet));
    bytes[0] = 0x55;
    assert_false(packet_parse(bytes, length, &packet));
}

/* --- address translation ----------------------------------------------------
 */

static uint32_t add_up(const unsigned char *bytes, size_t length, uint32_t sum)
{
    for (size_t i = 0; i < length; i++)
        sum += (uint32_t) bytes[i] << (i % 2 ? 0 : 8);
    return sum;
}

static unsigned fold(uint32_t sum)
{
    while (sum >> 16)
        sum = (sum & 0xffff) + (sum >> 16);
    return sum;
}

/* RFC 1071: with the checksum in it, all adds up to ffff. */
static bool is_intact(const unsigned char *bytes, size_t length)
{
    uint32_t sum = 0;

    if (bytes[9] != 1) /* TCP and UDP: the pseudo header */
        sum = add_up(bytes + 12, 8, bytes[9] + (uint32_t) length - 20);
    return fold(add_up(bytes, 20, 0)) == 0xffff
           && fold(add_up(bytes + 20, length - 20, sum)) == 0xffff;
}

static void seal(unsigned char *bytes, size_t length, size_t checksum_at)
{
    const uint32_t pseudo =
        bytes[9] == 1
            ? 0
            : add_up(bytes + 12, 8, bytes[9] + (uint32_t) length - 20);
    const unsigned of_header = ~fold(add_up(bytes, 20, 0)) & 0xffff;

    bytes[10] = (unsigned char) (of_header >> 8);
    bytes[11] = (unsigned char) of_header;
    const unsigned of_rest =
        ~fold(add_up(bytes + 20, length - 20, pseudo)) & 0xffff;

    bytes[checksum_at] = (unsigned char) (of_rest >> 8);
    bytes[checksum_at + 1] = (unsigned char) of_rest;
    assert_true(is_intact(bytes, length));
}

#define MADE_BYTES 47 /* odd: the last byte is padded in the checksum */

/* 192.168.7.5 to 203.0.113.9; port or id 40000. */
static void make_packet(unsigned char *bytes, unsigned protocol)
{
    static const unsigned char ends[] = { 192, 168, 7, 5, 203, 0, 113, 9 };
    const size_t checksum_at = protocol == 6 ? 36 : protocol == 17 ? 26 : 22;

    memset(bytes, 0x5a, MADE_BYTES);
    memset(bytes, 0, 28);
    memset(bytes + checksum_at, 0, 2);
    bytes[0] = 0x45;
    bytes[3] = MADE_BYTES;
    bytes[8] = 64;
    bytes[9] = (unsigned char) protocol;
    memcpy(bytes + 12, ends, 8);
    bytes[20] = protocol == 1 ? 8 : 40000 >> 8;
    bytes[21] = protocol == 1 ? 0 : 40000 & 255;
    bytes[22] = protocol == 1 ? 0 : 7907 >> 8;
    bytes[23] = protocol == 1 ? 0 : 7907 & 255;
    if (protocol == 1) {
        bytes[24] = 40000 >> 8;
        bytes[25] = 40000 & 255;
    }
    seal(bytes, MADE_BYTES, checksum_at);
}

/* What the other host answers: addresses and ports exchanged. */
static void turn_round(unsigned char *bytes)
{
    unsigned char part[4];

    memcpy(part, bytes + 12, 4);
    memcpy(bytes + 12, bytes + 16, 4);
    memcpy(bytes + 16, part, 4);
    if (bytes[9] == 1)
        return;
    memcpy(part, bytes + 20, 2);
    memcpy(bytes + 20, bytes + 22, 2);
    memcpy(bytes + 22, part, 2);
}

static void
a_translated_packet_is_intact_and_its_answer_finds_back(void **state)
{
    static const unsigned protocols[] = { 6, 17, 1 };

    (void) state;
    for (size_t i = 0; i < 3; i++) {
        struct translation router = { .outer = { 198, 51, 100, 200 } };
        unsigned char made[MADE_BYTES], bytes[MADE_BYTES];

        make_packet(made, protocols[i]);
        memcpy(bytes, made, sizeof(bytes));
        assert_true(translation_out(&router, bytes, sizeof(bytes)));
        assert_true(is_intact(bytes, sizeof(bytes)));
        assert_memory_equal(bytes + 12, router.outer, 4);
        assert_memory_equal(bytes + 16, made + 16, 4);
        turn_round(bytes);
        assert_true(translation_in(&router, bytes, sizeof(bytes)));
        assert_true(is_intact(bytes, sizeof(bytes)));
        turn_round(bytes);
        assert_memory_equal(bytes, made, sizeof(bytes));
    }
}

static void what_nobody_asked_for_does_not_pass_the_router(void **state)
{
    struct translation router = { .outer = { 198, 51, 100, 200 } };
    unsigned char bytes[MADE_BYTES];

    (void) state;
    make_packet(bytes, 6);
    turn_round(bytes);
    assert_false(translation_in(&router, bytes, sizeof(bytes)));
    turn_round(bytes);
    assert_true(translation_out(&router, bytes, sizeof(bytes)));
    turn_round(bytes);
    bytes[15]++; /* from another host */
    assert_false(translation_in(&router, bytes, sizeof(bytes)));
    bytes[15]--;
    bytes[9] = 17; /* by another protocol */
    assert_false(translation_in(&router, bytes, sizeof(bytes)));
    bytes[9] = 6;
    bytes[6] = 0x20; /* a fragment */
    assert_false(translation_in(&router, bytes, sizeof(bytes)));
    bytes[6] = 0;
    for (size_t cut = 0; cut < 40; cut++)
        assert_false(translation_in(&router, bytes, cut));
    assert_true(translation_in(&router, bytes, sizeof(bytes)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tcp_segment_gives_ports_numbers_and_flags),
        cmocka_unit_test(an_echo_over_ipv6_gives_its_number),
        cmocka_unit_test(an_identification_is_marked_with_its_exchange),
        cmocka_unit_test(what_is_not_whole_ip_is_refused),
        cmocka_unit_test(
            a_translated_packet_is_intact_and_its_answer_finds_back),
        cmocka_unit_test(what_nobody_asked_for_does_not_pass_the_router),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
