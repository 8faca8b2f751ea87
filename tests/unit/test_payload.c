/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/payload.h"

#include <bothends/draw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include <cmocka.h>

#define STREAM_BYTES ((size_t) 1000000)

static struct exchange_order an_order(double expected_bps)
{
    return (struct exchange_order){
        .id = "r1s2g3-download-a1b2c3",
        .own_name = "hub",
        .own_call = "Q0HUB",
        .seed = UINT64_C(0x1fffffffffffff), /* the largest of a plan */
        .expected_bps = expected_bps,
    };
}

static unsigned char *stream_of(const struct exchange_order *order,
                                uint64_t connection, bool is_text,
                                size_t piece_bytes)
{
    unsigned char *stream = malloc(STREAM_BYTES);
    struct payload payload;

    assert_non_null(stream);
    payload_init(&payload, order, connection, is_text);
    for (size_t at = 0; at < STREAM_BYTES; at += piece_bytes)
        payload_fill(&payload, stream + at,
                     at + piece_bytes > STREAM_BYTES ? STREAM_BYTES - at
                                                     : piece_bytes);
    payload_clear(&payload);
    return stream;
}

/* What a general compressor leaves of it, as a share. */
static double compressed_ratio(const unsigned char *stream)
{
    uLongf room_bytes = compressBound(STREAM_BYTES);
    unsigned char *room = malloc(room_bytes);

    assert_non_null(room);
    assert_int_equal(compress2(room, &room_bytes, stream, STREAM_BYTES, 9),
                     Z_OK);
    free(room);
    return (double) room_bytes / (double) STREAM_BYTES;
}

static const double rates_bps[] = { 0, 1200, 9600, 60e3, 1e6, 30e6, 1e9 };

static void a_compressor_saves_three_percent_of_octets_at_most(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(rates_bps); i++) {
        const struct exchange_order order = an_order(rates_bps[i]);
        unsigned char *stream = stream_of(&order, 0, false, 5000);
        const double ratio = compressed_ratio(stream);

        print_message("at %.0f bit/s a compressor leaves %.4f\n", rates_bps[i],
                      ratio);
        assert_true(ratio >= 0.97);
        free(stream);
    }
}

static void text_compresses_well(void **state)
{
    const struct exchange_order order = an_order(60e3);
    unsigned char *stream = stream_of(&order, 0, true, 5000);

    (void) state;
    assert_true(compressed_ratio(stream) < 0.2);
    for (size_t i = 0; i < STREAM_BYTES; i++)
        assert_true((stream[i] >= ' ' && stream[i] <= '~')
                    || stream[i] == '\n');
    free(stream);
}

static void check_pieces(double expected_bps)
{
    static const size_t pieces[] = { 1, 7, 8, 63, 4096, 65536, STREAM_BYTES };
    const struct exchange_order order = an_order(expected_bps);
    unsigned char *whole = stream_of(&order, 3, false, STREAM_BYTES);

    for (size_t i = 0; i < COUNT_OF(pieces); i++) {
        unsigned char *stream = stream_of(&order, 3, false, pieces[i]);

        assert_memory_equal(stream, whole, STREAM_BYTES);
        free(stream);
    }
    free(whole);
}

static void the_stream_is_the_same_in_whatever_pieces_it_is_taken(void **state)
{
    (void) state;
    check_pieces(60e3);
    check_pieces(PAYLOAD_ONCE_BPS);
}

static void connections_and_seeds_differ(void **state)
{
    struct exchange_order order = an_order(60e3);
    unsigned char *one = stream_of(&order, 0, false, 5000);
    unsigned char *other = stream_of(&order, 1, false, 5000);

    (void) state;
    assert_memory_not_equal(one + 200, other + 200, 1000);
    free(other);
    order.seed--;
    other = stream_of(&order, 0, false, 5000);
    assert_memory_not_equal(one + 200, other + 200, 1000);
    free(other);
    free(one);
}

/* Only from what the header says, as somebody would who recorded the air. */
static void check_reader(double expected_bps)
{
    const struct exchange_order order = an_order(expected_bps);
    unsigned char *stream = stream_of(&order, 2, false, 5000);
    struct payload payload;

    payload_init(&payload, &order, 2, false);
    const size_t block_bytes = payload.block_bytes;
    payload_clear(&payload);
    for (size_t block = 0; (block + 1) * block_bytes <= STREAM_BYTES; block++) {
        const unsigned char *at = stream + block * block_bytes;
        const char *end = memchr(at, '\n', block_bytes);
        char header[200] = "";
        unsigned long long seed = 0, number = 0;
        unsigned connection = 0;

        assert_non_null(end);
        const size_t header_bytes = (size_t) (end - (const char *) at) + 1;
        assert_true(header_bytes < sizeof(header));
        memcpy(header, at, header_bytes);
        assert_int_equal(
            sscanf(header,
                   "bothends r1s2g3-download-a1b2c3 de Q0HUB %u/%llu seed %llx,"
                   " octets: SplitMix64, see README of bothends",
                   &connection, &number, &seed),
            3);
        assert_int_equal(connection, 2);
        assert_int_equal(number, block);
        struct draw draw = { seed };
        for (size_t i = header_bytes; i + 8 <= block_bytes; i += 8) {
            const uint64_t drawn = draw_next(&draw);

            for (size_t octet = 0; octet < 8; octet++)
                assert_int_equal(at[i + octet],
                                 (unsigned char) (drawn >> (8 * octet)));
        }
    }
    free(stream);
}

static void a_reader_makes_the_octets_from_the_header_alone(void **state)
{
    (void) state;
    check_reader(60e3);
    check_reader(PAYLOAD_ONCE_BPS);
}

static void blocks_are_about_a_quarter_second_within_limits(void **state)
{
    static const struct {
        double expected_bps;
        size_t header_bytes, block_bytes;
    } cases[] = {
        { 0, 100, 65536 },      { 1200, 50, 2048 },   { 60e3, 50, 2048 },
        { 60e3, 100, 4096 },    { 256e3, 100, 8192 }, { 1e6, 100, 32768 },
        { 100e6, 100, 262144 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        print_message("case %zu\n", i);
        assert_int_equal(
            payload_block_bytes(cases[i].expected_bps, cases[i].header_bytes),
            cases[i].block_bytes);
    }
}

static void a_probe_carries_as_much_of_the_header_as_fits(void **state)
{
    const struct exchange_order order = an_order(0);
    char small[24], large[400];
    char mark[PAYLOAD_HEADER_MOST];
    const size_t mark_bytes = payload_mark(&order, mark);

    (void) state;
    payload_block(&order, 0, 5, small, sizeof(small));
    assert_memory_equal(small, "bothends r1s2g3-download", sizeof(small));
    payload_block(&order, 0, 5, large, sizeof(large));
    assert_memory_equal(large, mark, mark_bytes);
    assert_memory_equal(large + mark_bytes, "Q0HUB 0/5 seed ", 15);
    payload_block(&order, 0, 5, NULL, 0);
}

static void the_longest_names_still_fit_the_header(void **state)
{
    struct exchange_order order = an_order(60e3);
    struct payload payload;

    (void) state;
    memset(order.id, 'i', sizeof(order.id) - 1);
    memset(order.own_call, 'Q', sizeof(order.own_call) - 1);
    payload_init(&payload, &order, 15, false);
    assert_int_equal(payload.header[payload.header_bytes - 1], '\n');
    assert_true(payload.header_bytes < PAYLOAD_HEADER_MOST - 8);
    assert_true(payload.header_bytes * 40 <= payload.block_bytes);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_compressor_saves_three_percent_of_octets_at_most),
        cmocka_unit_test(text_compresses_well),
        cmocka_unit_test(the_stream_is_the_same_in_whatever_pieces_it_is_taken),
        cmocka_unit_test(connections_and_seeds_differ),
        cmocka_unit_test(a_reader_makes_the_octets_from_the_header_alone),
        cmocka_unit_test(blocks_are_about_a_quarter_second_within_limits),
        cmocka_unit_test(a_probe_carries_as_much_of_the_header_as_fits),
        cmocka_unit_test(the_longest_names_still_fit_the_header),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
