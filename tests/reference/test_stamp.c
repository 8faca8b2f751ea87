/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The packets of STAMP against the RFCs: times, error estimate, layouts, HMAC.
 */
#include "agent/exchanges/stamp.h"

#include <bothends/fields.h>
#include <bothends/units.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

/* --- times ---------------------------------------------------------------- */

/* RFC 5905 section 6, figure 4; 2036-02-08 is the first full day of era 1. */
static void ntp_seconds_are_those_of_rfc_5905(void **state)
{
    static const struct {
        int64_t unix_s;
        uint32_t ntp_s;
    } days[] = {
        { 0, 2208988800 },         /* 1970-01-01 */
        { 63072000, 2272060800 },  /* 1972-01-01 */
        { 946598400, 3155587200 }, /* 1999-12-31 */
        { 2086041600, 63104 },     /* 2036-02-08 */
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(days); i++) {
        const int64_t unix_ns = days[i].unix_s * (int64_t) NS_PER_S;

        assert_int_equal(stamp_ntp_of(unix_ns) >> 32, days[i].ntp_s);
        assert_int_equal(stamp_unix_ns_of((uint64_t) days[i].ntp_s << 32),
                         unix_ns);
    }
}

/* RFC 3550 section 6.4.1, figure 2: 1995-11-10 11:33:25.125 UTC. */
static const int64_t t1_unix_ns = INT64_C(816003205125000000);
static const uint64_t t1_ntp = UINT64_C(0xb44db70520000000);

static void a_fraction_of_a_second_is_that_of_rfc_3550(void **state)
{
    (void) state;
    assert_int_equal(stamp_ntp_of(t1_unix_ns), t1_ntp);
    assert_int_equal(stamp_unix_ns_of(t1_ntp), t1_unix_ns);
}

static void every_ns_comes_back_from_ntp(void **state)
{
    (void) state;
    for (int64_t i = 0; i < 100000; i++) {
        /* Steps that share no factor with a second, across the era's end. */
        const int64_t unix_ns =
            INT64_C(2085978496) * (int64_t) NS_PER_S + (i - 50000) * 654321;

        assert_int_equal(stamp_unix_ns_of(stamp_ntp_of(unix_ns)), unix_ns);
    }
    assert_int_equal(stamp_unix_ns_of(stamp_ntp_of(-1)), -1);
}

/* RFC 5905 section 8 with the times of the packets below (T4 = .75): round trip
 * (T4 - T1) - (T3 - T2), offset ((T2 - T1) + (T3 - T4)) / 2. */
static void round_trip_and_offset_follow_from_four_times(void **state)
{
    const int64_t t2_ns = stamp_unix_ns_of(UINT64_C(0xb44db70560000000));
    const int64_t t3_ns = stamp_unix_ns_of(UINT64_C(0xb44db70580000000));
    const int64_t t4_ns = stamp_unix_ns_of(UINT64_C(0xb44db705c0000000));

    (void) state;
    assert_int_equal((t4_ns - t1_unix_ns) - (t3_ns - t2_ns), 500 * NS_PER_MS);
    assert_int_equal(t2_ns - t1_unix_ns, 250 * NS_PER_MS);
    assert_int_equal(t4_ns - t3_ns, 250 * NS_PER_MS);
    assert_int_equal((t2_ns - t1_unix_ns) + (t3_ns - t4_ns), 0);
}

/* --- error estimate (RFC 4656 section 4.1.2) -------------------------------
 */

static void an_error_is_rounded_up_to_the_smallest_scale(void **state)
{
    (void) state;
    assert_int_equal(stamp_error_of(1e-3, true), 0x8f84);
    assert_int_equal(stamp_error_of(10e-3, true), 0x92a4);
    assert_int_equal(stamp_error_of(10e-3, false), 0x12a4);
    assert_int_equal(stamp_error_of(1, false), 0x1980);
    /* Multiplier 0 would say that the packet is corrupt. */
    assert_int_equal(stamp_error_of(0, false), 0x0001);
    assert_int_equal(stamp_error_of(1e300, true), 0xbfff);
}

static void an_error_is_read_as_it_was_written(void **state)
{
    double error_s = 0;
    bool is_synchronised = false;

    (void) state;
    assert_true(stamp_error_read(0x8f84, &error_s, &is_synchronised));
    assert_true(error_s == 0.001007080078125 && is_synchronised);
    assert_true(stamp_error_read(0x12a4, &error_s, &is_synchronised));
    assert_true(error_s == 0.010009765625 && !is_synchronised);
    assert_true(stamp_error_read(0x9f01, &error_s, &is_synchronised));
    assert_true(error_s == 0.5 && is_synchronised);
    /* Z is set: the other format of times; the error is read all the same. */
    assert_true(stamp_error_read(0xc001, &error_s, &is_synchronised));
    assert_true(error_s == 0x1p-32 && is_synchronised);
    assert_false(stamp_error_read(0x8000, &error_s, &is_synchronised));
}

/* --- packets ---------------------------------------------------------------
 */

/* The vectors of the packets are computed (with Python, hmac and hashlib) by
 * the layouts of RFC 8762 sections 4.2 and 4.3 and RFC 8972 section 3: key 00
 * to 1f, T1 .125, T2 .375, T3 .5, session 0x1234, probe 1, reply 0, TTL 63. */
static const struct stamp_probe probe = {
    .sequence = 1,
    .sent_ntp = UINT64_C(0xb44db70520000000),
    .error = 0x8f84,
    .session = 0x1234,
};
static const struct stamp_reply reply = {
    .sequence = 0,
    .sent_ntp = UINT64_C(0xb44db70580000000),
    .error = 0x92a4,
    .session = 0x1234,
    .arrived_ntp = UINT64_C(0xb44db70560000000),
    .probe = { .sequence = 1,
               .sent_ntp = UINT64_C(0xb44db70520000000),
               .error = 0x8f84 },
    .probe_ttl = 63,
};

/* The unauthenticated mode, which no agent uses: it shows that what is written
 * goes where a layout says.  RFC 8762 sections 4.2.1 and 4.3.1. */
static const struct stamp_layout unauthenticated = {
    .base_bytes = 44,
    .sequence = 0,
    .timestamp = 4,
    .error = 12,
    .session = 14,
    .arrived = 16,
    .sender_sequence = 24,
    .sender_timestamp = 28,
    .sender_error = 36,
    .sender_ttl = 40,
};

static void make_key(uint8_t key[STAMP_KEY_BYTES])
{
    for (uint8_t i = 0; i < STAMP_KEY_BYTES; i++)
        key[i] = i;
}

/* "00000001 b44d": blanks are left out, "*12" is twelve octets of 0. */
static void assert_octets(const uint8_t *octets, size_t octet_count,
                          const char *expected)
{
    size_t place = 0;

    for (const char *at = expected; *at;) {
        unsigned number = 0;
        int used = 0;

        if (*at == ' ') {
            at++;
        } else if (sscanf(at, "*%2u%n", &number, &used) == 1) {
            for (; number > 0; number--)
                assert_int_equal(octets[place++], 0);
            at += used;
        } else {
            assert_int_equal(sscanf(at, "%2x", &number), 1);
            assert_int_equal(octets[place++], number);
            at += 2;
        }
    }
    assert_int_equal(place, octet_count);
}

static void a_probe_without_hmac_has_its_fields_in_place(void **state)
{
    struct stamp_probe first = probe;
    uint8_t packet[44];

    (void) state;
    first.session = 0;
    stamp_write_probe(&unauthenticated, &first, packet);
    assert_octets(packet, sizeof(packet), "00000001 b44db70520000000 8f84 *30");
}

static void a_reply_without_hmac_has_its_fields_in_place(void **state)
{
    uint8_t packet[44];

    (void) state;
    stamp_write_reply(&unauthenticated, &reply, packet);
    assert_octets(packet, sizeof(packet),
                  "00000000b44db7058000000092a41234b44db7056000000000000001"
                  "b44db705200000008f8400003f000000");
}

static void a_signed_probe_has_the_right_octets(void **state)
{
    uint8_t packet[112], key[STAMP_KEY_BYTES];
    struct stamp_probe read;

    (void) state;
    make_key(key);
    stamp_write_probe(&stamp_authenticated, &probe, packet);
    stamp_sign(key, packet);
    assert_octets(packet, sizeof(packet),
                  "00000001 *12 b44db70520000000 8f84 1234 *68"
                  "220867602d8dc8d52afe0fe5c57e0699");
    assert_true(stamp_is_signed(key, packet));
    stamp_read_probe(&stamp_authenticated, packet, &read);
    assert_int_equal(read.sequence, probe.sequence);
    assert_int_equal(read.sent_ntp, probe.sent_ntp);
    assert_int_equal(read.error, probe.error);
    assert_int_equal(read.session, probe.session);
}

static void a_signed_reply_has_the_right_octets(void **state)
{
    uint8_t packet[112], key[STAMP_KEY_BYTES];
    struct stamp_reply read;

    (void) state;
    make_key(key);
    stamp_write_reply(&stamp_authenticated, &reply, packet);
    stamp_sign(key, packet);
    assert_octets(packet, sizeof(packet),
                  "00000000 *12 b44db70580000000 92a4 1234 *04"
                  "b44db70560000000 *08 00000001 *12 b44db70520000000 8f84 *06"
                  "3f *15 465591f80c39864af84761ce49168f3b");
    stamp_read_reply(&stamp_authenticated, packet, &read);
    assert_int_equal(read.sequence, 0);
    assert_int_equal(read.arrived_ntp, reply.arrived_ntp);
    assert_int_equal(read.sent_ntp, reply.sent_ntp);
    assert_int_equal(read.probe.sent_ntp, t1_ntp);
    assert_int_equal(read.probe.sequence, 1);
    assert_int_equal(read.probe_ttl, 63);
}

/* Of RFC 8762's authenticated mode every octet before the HMAC is covered, of
 * those that must be zero too. */
static void no_bit_of_a_signed_packet_can_be_changed(void **state)
{
    uint8_t packet[112], key[STAMP_KEY_BYTES];

    (void) state;
    make_key(key);
    stamp_write_reply(&stamp_authenticated, &reply, packet);
    stamp_sign(key, packet);
    for (size_t bit = 0; bit < 8 * sizeof(packet); bit++) {
        packet[bit / 8] ^= (uint8_t) (1U << bit % 8);
        assert_false(stamp_is_signed(key, packet));
        packet[bit / 8] ^= (uint8_t) (1U << bit % 8);
    }
    assert_true(stamp_is_signed(key, packet));
}

/* RFC 8972 section 4.8: the sequence number and all TLVs before it; Direct
 * Measurement (100 sent) and Timestamp Information of sections 4.5 and 4.3. */
static void the_hmac_of_tlvs_is_the_right_one(void **state)
{
    static const uint8_t text[] = {
        0,    0, 0, 1,                            /* sequence number */
        0x80, 5, 0, 12, 0, 0, 0, 100, 0, 0, 0, 0, /* Direct Measurement */
        0,    0, 0, 0,                            /* ... */
        0x80, 3, 0, 4,  0, 0, 0, 0,               /* Timestamp Information */
    };
    uint8_t key[STAMP_KEY_BYTES], hmac[STAMP_HMAC_BYTES];

    (void) state;
    make_key(key);
    stamp_hmac(key, text, sizeof(text), hmac);
    assert_octets(hmac, sizeof(hmac), "0b3d9451fbbf67d9ad7e2818766e361c");
}

/* The padding of the same packet: "80010010" and 16 octets. */
static void extra_padding_has_its_head(void **state)
{
    uint8_t padding[20] = { 0 };

    (void) state;
    stamp_write_padding(padding, sizeof(padding));
    assert_octets(padding, sizeof(padding), "80010010 *16");
    assert_true(stamp_is_padding(padding, sizeof(padding)));
    stamp_take_padding(padding);
    assert_octets(padding, sizeof(padding), "00010010 *16");
    assert_true(stamp_is_padding(padding, 0));
    assert_false(stamp_is_padding(padding, 3));
    assert_false(stamp_is_padding(padding, sizeof(padding) - 1));
    padding[1] = 5;
    assert_false(stamp_is_padding(padding, sizeof(padding)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ntp_seconds_are_those_of_rfc_5905),
        cmocka_unit_test(a_fraction_of_a_second_is_that_of_rfc_3550),
        cmocka_unit_test(every_ns_comes_back_from_ntp),
        cmocka_unit_test(round_trip_and_offset_follow_from_four_times),
        cmocka_unit_test(an_error_is_rounded_up_to_the_smallest_scale),
        cmocka_unit_test(an_error_is_read_as_it_was_written),
        cmocka_unit_test(a_probe_without_hmac_has_its_fields_in_place),
        cmocka_unit_test(a_reply_without_hmac_has_its_fields_in_place),
        cmocka_unit_test(a_signed_probe_has_the_right_octets),
        cmocka_unit_test(a_signed_reply_has_the_right_octets),
        cmocka_unit_test(no_bit_of_a_signed_packet_can_be_changed),
        cmocka_unit_test(the_hmac_of_tlvs_is_the_right_one),
        cmocka_unit_test(extra_padding_has_its_head),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
