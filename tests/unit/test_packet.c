/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/packet.h"

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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tcp_segment_gives_ports_numbers_and_flags),
        cmocka_unit_test(an_echo_over_ipv6_gives_its_number),
        cmocka_unit_test(an_identification_is_marked_with_its_exchange),
        cmocka_unit_test(what_is_not_whole_ip_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
