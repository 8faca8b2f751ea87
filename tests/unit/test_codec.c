/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/codec.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <uv.h>

#include <cmocka.h>

/* One member of every shape, and some that may not be left out. */
struct record {
    uint64_t whole, needed, optional;
    int64_t difference;
    double real, rate_bps;
    struct range range;
    struct spread spread;
    int choice;
    bool flag;
    char text[12];
};

static const char *const winds[] = { "calm", "breeze", "gale", NULL };

/* clang-format off */
static const struct field fields[] = {
    { "whole", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct record, whole), 0, 0, "0", NULL, "any" },
    { "needed", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct record, needed), 2, 16, "4", NULL, "2 to 16" },
    { "optional", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct record, optional), 5, 9, "", NULL, "5 to 9 or not said" },
    { "difference", NULL, FIELD_SIGNED, UNIT_COUNT, FIELD_AT(struct record, difference), 0, 0, "0", NULL, "any" },
    { "real", NULL, FIELD_REAL, UNIT_DBM, FIELD_AT(struct record, real), -200, 50, "", NULL, "level" },
    { "rate_bps", NULL, FIELD_REAL, UNIT_RATE, FIELD_AT(struct record, rate_bps), 0, 1e12, "0", NULL, "rate" },
    { "range", NULL, FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct record, range), 0, 1e9, "", NULL, "range" },
    { "spread", NULL, FIELD_SPREAD, UNIT_DURATION, FIELD_AT(struct record, spread), 0, 1e9, "0 s", NULL, "spread" },
    { "choice", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct record, choice), 0, 0, "calm", winds, "wind" },
    { "flag", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct record, flag), 0, 0, "no", NULL, "flag" },
    { "text", NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct record, text), 0, 0, "", NULL, "text" },
};
/* clang-format on */

static int decode(const char *text, enum codec_strictness strictness,
                  struct record *record, struct fault *fault)
{
    json_t *json =
        json_loads(text, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, NULL);
    static const char *const also[] = { "spec", NULL };

    assert_non_null(json);
    const int code = codec_decode(fields, COUNT_OF(fields), json, strictness,
                                  also, "order", record, fault);
    json_decref(json);
    return code;
}

static char *encode(const struct record *record)
{
    json_t *object = json_object();
    struct fault fault = { 0 };

    if (codec_encode(fields, COUNT_OF(fields), record, object, &fault))
        fail_msg("%s", fault.text);
    char *text = json_dumps(object, JSON_COMPACT | JSON_SORT_KEYS);
    json_decref(object);
    return text;
}

static void a_record_comes_back_as_it_was(void **state)
{
    const struct record record = {
        .whole = INT64_MAX,
        .needed = 16,
        .optional = 5,
        .difference = INT64_MIN,
        .real = -105.25,
        .rate_bps = 51234.567,
        .range = { 10e6, 14e6 },
        .spread = { SPREAD_UNIFORM, 2e8, 1e8, 3e8 },
        .choice = 2,
        .flag = true,
        .text = "Q0\xc3\xa4\"x",
    };
    struct record back;
    struct fault fault = { 0 };
    char *text = encode(&record);

    (void) state;
    memset(&back, 0xff, sizeof(back));
    if (decode(text, CODEC_KNOWN_ONLY, &back, &fault))
        fail_msg("%s", fault.text);
    char *again = encode(&back);
    assert_string_equal(again, text);
    assert_true(back.whole == record.whole);
    assert_true(back.difference == record.difference);
    assert_true(back.spread.form == SPREAD_UNIFORM);
    assert_string_equal(back.text, record.text);
    free(again);
    free(text);
}

static void what_is_zero_or_not_said_is_left_out_and_comes_back_so(void **state)
{
    const struct record record = { .needed = 2,
                                   .real = (double) NAN,
                                   .range = range_unsaid() };
    struct record back;
    struct fault fault = { 0 };
    char *text = encode(&record);

    (void) state;
    assert_string_equal(text, "{\"needed\":2,\"rate_bps\":0.0}");
    free(text);
    memset(&back, 0xff, sizeof(back));
    if (decode("{\"needed\":2}", CODEC_KNOWN_ONLY, &back, &fault))
        fail_msg("%s", fault.text);
    assert_true(back.whole == 0 && back.needed == 2 && back.optional == 0);
    assert_true(back.difference == 0 && back.choice == 0 && !back.flag);
    assert_true(isnan(back.real) && !range_is_said(back.range));
    assert_true(back.rate_bps <= 0 && back.rate_bps >= 0);
    assert_true(back.spread.mean <= 0 && back.spread.mean >= 0);
    assert_string_equal(back.text, "");
}

/* Place, found, expected. */
static void
a_wrong_member_is_refused_with_place_found_and_expected(void **state)
{
    static const struct {
        const char *json;
        const char *words;
    } cases[] = {
        { "[]", "order: found a list, expected an object" },
        { "null", "order: found null, expected an object" },
        { "{}", "order.needed: found nothing, expected 2 to 16" },
        { "{\"needed\":17}", "order.needed: found 17, expected 2 to 16" },
        { "{\"needed\":0}", "order.needed: found 0, expected 2 to 16" },
        { "{\"needed\":4.0}", "order.needed: found 4.0, expected a whole" },
        { "{\"needed\":-4}", "order.needed: found -4, expected a whole" },
        { "{\"needed\":null}", "order.needed: found null" },
        { "{\"needed\":\"4\"}", "order.needed: found \"4\"" },
        { "{\"needed\":{\"a\":[1,2,3]}}", "order.needed: found an object" },
        { "{\"needed\":4,\"optional\":4}", "order.optional: found 4" },
        { "{\"needed\":4,\"difference\":1.5}", "order.difference: found 1.5" },
        { "{\"needed\":4,\"real\":51}", "order.real: found 51" },
        { "{\"needed\":4,\"real\":\"inf\"}", "order.real: found \"inf\"" },
        { "{\"needed\":4,\"range\":[2,1]}", "the lower number first" },
        { "{\"needed\":4,\"range\":[null,1]}", "order.range" },
        { "{\"needed\":4,\"range\":[1]}", "a list of two numbers" },
        { "{\"needed\":4,\"range\":[1,2e9]}", "0 to 1000000000" },
        { "{\"needed\":4,\"choice\":\"storm\"}",
          "order.choice: found \"storm\", expected one of 'calm', 'breeze', "
          "'gale'" },
        { "{\"needed\":4,\"choice\":1}", "order.choice: found 1" },
        { "{\"needed\":4,\"flag\":1}", "true or false" },
        { "{\"needed\":4,\"text\":\"twelve bytes\"}", "at most 11 bytes" },
        { "{\"needed\":4,\"text\":\"a\\nb\"}", "order.text" },
        { "{\"needed\":4,\"text\":\"\\u001b[2J\"}", "order.text" },
        { "{\"needed\":4,\"spread\":3}", "order.spread" },
        { "{\"needed\":4,\"spread\":{\"form\":\"cubic\",\"mean\":1,\"low\":1,"
          "\"high\":1}}",
          "'fixed', 'uniform', 'exponential'" },
        { "{\"needed\":4,\"spread\":{\"form\":\"fixed\",\"mean\":2e9,\"low\":"
          "2e9,\"high\":2e9}}",
          "0 to 1000000000" },
        { "{\"needed\":4,\"spread\":{\"form\":\"uniform\",\"mean\":5,\"low\":6,"
          "\"high\":7}}",
          "0 <= low <= mean <= high" },
        { "{\"needed\":4,\"spread\":{\"form\":\"uniform\",\"mean\":5,\"low\":"
          "-6,\"high\":7}}",
          "0 <= low <= mean <= high" },
        { "{\"needed\":4,\"spread\":{\"form\":\"fixed\",\"mean\":5}}",
          "order.spread" },
        { "{\"needed\":4,\"neded\":4}",
          "order: found the member 'neded', expected none of that name" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct record record;
        struct fault fault = { 0 };

        assert_int_equal(
            decode(cases[i].json, CODEC_KNOWN_ONLY, &record, &fault),
            UV_EINVAL);
        if (!strstr(fault.text, cases[i].words))
            fail_msg("%s: '%s' does not say '%s'", cases[i].json, fault.text,
                     cases[i].words);
    }
}

static void
members_of_a_newer_version_are_passed_over_where_allowed(void **state)
{
    struct record record;
    struct fault fault = { 0 };

    (void) state;
    if (decode("{\"needed\":4,\"new\":{}}", CODEC_TOLERANT, &record, &fault))
        fail_msg("%s", fault.text);
    if (decode("{\"needed\":4,\"spec\":{}}", CODEC_KNOWN_ONLY, &record, &fault))
        fail_msg("%s", fault.text);
}

static void a_number_that_json_can_not_hold_is_refused(void **state)
{
    struct record record = { .needed = 4, .whole = UINT64_MAX };
    json_t *object = json_object();
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        codec_encode(fields, COUNT_OF(fields), &record, object, &fault),
        UV_ERANGE);
    assert_non_null(strstr(fault.text, "whole: found 18446744073709551615"));
    record.whole = 0;
    record.real = (double) INFINITY;
    fault.code = 0;
    assert_int_equal(
        codec_encode(fields, COUNT_OF(fields), &record, object, &fault),
        UV_ERANGE);
    json_decref(object);
}

static void a_text_that_can_not_be_sent_loses_only_its_odd_bytes(void **state)
{
    const struct record record = { .needed = 4, .text = "wlan\xe4" };
    char *text = encode(&record);

    (void) state;
    const struct record lines = { .needed = 4, .text = "one\ntwo" };
    char *one_line = encode(&lines);

    assert_non_null(strstr(text, "\"text\":\"wlan?\""));
    assert_non_null(strstr(one_line, "\"text\":\"one?two\""));
    free(text);
    free(one_line);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_record_comes_back_as_it_was),
        cmocka_unit_test(
            what_is_zero_or_not_said_is_left_out_and_comes_back_so),
        cmocka_unit_test(
            a_wrong_member_is_refused_with_place_found_and_expected),
        cmocka_unit_test(
            members_of_a_newer_version_are_passed_over_where_allowed),
        cmocka_unit_test(a_number_that_json_can_not_hold_is_refused),
        cmocka_unit_test(a_text_that_can_not_be_sent_loses_only_its_odd_bytes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
