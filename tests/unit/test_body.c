/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/body.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>
#include <zlib.h>

#include <cmocka.h>

static json_t *a_long_list(void)
{
    json_t *list = json_array();

    for (int i = 0; i < 5000; i++)
        (void) json_array_append_new(list, json_integer(i * 7919 % 1000));
    return list;
}

static void assert_comes_back(const json_t *json, bool is_gzip)
{
    struct body body;
    struct fault fault = { 0 };
    json_t *back = NULL;

    if (body_encode(json, &body, &fault))
        fail_msg("%s", fault.text);
    assert_true(body.is_gzip == is_gzip);
    if (body_decode(body.content, body.content_bytes,
                    body.is_gzip ? "gzip" : NULL, &back, &fault))
        fail_msg("%s", fault.text);
    assert_true(json ? json_equal(back, json) : back == NULL);
    json_decref(back);
    body_clear(&body);
}

static void bodies_come_back_coded_where_that_is_shorter(void **state)
{
    json_t *small = json_pack("{s:s}", "name", "fresh");
    json_t *large = a_long_list();

    (void) state;
    assert_comes_back(NULL, false);
    assert_comes_back(small, false);
    assert_comes_back(large, true);
    json_decref(small);
    json_decref(large);
}

static void assert_not_decoded(const void *content, size_t content_bytes,
                               const char *coding, const char *words)
{
    struct fault fault = { 0 };
    json_t *json = NULL;

    assert_true(body_decode(content, content_bytes, coding, &json, &fault) < 0);
    assert_null(json);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

static void what_is_no_json_is_refused_with_its_place(void **state)
{
    (void) state;
    assert_not_decoded("{\"a\":1", 6, NULL, "line 1, column 6");
    assert_not_decoded("{\"a\":1,\"a\":2}", 13, NULL, "duplicate");
    assert_not_decoded("\xff", 1, NULL, "no JSON");
    assert_not_decoded("{}x", 3, NULL, "no JSON");
    assert_not_decoded("{}", 2, "br", "found Content-Encoding 'br'");
    assert_not_decoded("{}", 2, "gzip", "no whole gzip");
}

static void a_gzip_body_cut_or_changed_anywhere_is_refused(void **state)
{
    json_t *large = a_long_list();
    struct body body;

    (void) state;
    assert_int_equal(body_encode(large, &body, NULL), 0);
    assert_true(body.is_gzip);
    for (size_t cut = 1; cut < body.content_bytes; cut += 13)
        assert_not_decoded(body.content, cut, "gzip", "no whole gzip");
    /* From the deflated data on: zlib's check sum stands behind them. */
    for (size_t at = 10; at < body.content_bytes; at += 29) {
        struct fault fault = { 0 };
        json_t *json = NULL;

        body.content[at] ^= 0x20;
        assert_true(
            body_decode(body.content, body.content_bytes, "gzip", &json, &fault)
            < 0);
        body.content[at] ^= 0x20;
    }
    json_decref(large);
    body_clear(&body);
}

/* Some kilobytes that would become more than BODY_BYTES_MAX. */
static void a_body_that_swells_without_end_is_refused(void **state)
{
    static unsigned char piece[1 << 20], coded[1 << 20];
    z_stream stream = { .next_out = coded, .avail_out = sizeof(coded) };

    (void) state;
    memset(piece, ' ', sizeof(piece));
    assert_int_equal(
        deflateInit2(&stream, 9, Z_DEFLATED, 15 + 16, 9, Z_DEFAULT_STRATEGY),
        Z_OK);
    for (size_t sent = 0; sent <= BODY_BYTES_MAX; sent += sizeof(piece)) {
        stream.next_in = piece;
        stream.avail_in = sizeof(piece);
        assert_int_equal(deflate(&stream, Z_NO_FLUSH), Z_OK);
    }
    assert_int_equal(deflate(&stream, Z_FINISH), Z_STREAM_END);
    const size_t coded_bytes = sizeof(coded) - stream.avail_out;
    assert_int_equal(deflateEnd(&stream), Z_OK);
    assert_true(coded_bytes < BODY_BYTES_MAX / 500);
    assert_not_decoded(coded, coded_bytes, "gzip", "larger than 64 MiB");
}

static void assert_told(const char *json_text, const char *expected)
{
    json_t *json = json_loads(json_text, JSON_DECODE_ANY, NULL);
    char text[200];

    problem_text(json, text, sizeof(text));
    assert_string_equal(text, expected);
    json_decref(json);
}

static void a_problem_is_told_in_one_line_whatever_it_holds(void **state)
{
    (void) state;
    /* RFC 9457, section 3: the RFC's own example. */
    assert_told("{\"type\":\"https://example.com/probs/out-of-credit\","
                "\"title\":\"You do not have enough credit.\",\"detail\":"
                "\"Your current balance is 30, but that costs 50.\","
                "\"instance\":\"/account/12345/msgs/abc\",\"balance\":30}",
                "You do not have enough credit.: Your current balance is 30, "
                "but that costs 50.");
    assert_told("{\"title\":\"Wrong order\",\"place\":\"spec.gap_ns\"}",
                "Wrong order (spec.gap_ns)");
    /* Section 3.1: a member of the wrong type is ignored. */
    assert_told("{\"title\":7,\"detail\":\"d\"}", "d");
    assert_told("{}", "no reason given");
    assert_told("[1]", "no reason given");
    assert_told("null", "no reason given");
    assert_told("{\"detail\":\"a\\n\\u001b[2Jb\"}", "a  [2Jb");
    /* C1's CSI, and a mark that turns the writing. */
    assert_told("{\"detail\":\"a\\u009b2Jb\"}", "a  2Jb");
    assert_told("{\"detail\":\"hill\\u202edale\"}", "hill   dale");
}

static void a_problem_has_the_members_of_rfc_9457(void **state)
{
    json_t *problem = problem_new(422, "order", "Wrong order",
                                  "found 3, expected 4", "spec.count");
    json_t *expected =
        json_pack("{s:s, s:s, s:i, s:s, s:s}", "type",
                  "tag:bothends,2026:order", "title", "Wrong order", "status",
                  422, "detail", "found 3, expected 4", "place", "spec.count");

    (void) state;
    assert_true(json_equal(problem, expected));
    json_decref(problem);
    json_decref(expected);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bodies_come_back_coded_where_that_is_shorter),
        cmocka_unit_test(what_is_no_json_is_refused_with_its_place),
        cmocka_unit_test(a_gzip_body_cut_or_changed_anywhere_is_refused),
        cmocka_unit_test(a_body_that_swells_without_end_is_refused),
        cmocka_unit_test(a_problem_is_told_in_one_line_whatever_it_holds),
        cmocka_unit_test(a_problem_has_the_members_of_rfc_9457),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
