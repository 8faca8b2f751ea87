/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/columns.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <uv.h>

#include <cmocka.h>

/* A row with every shape that a series can have. */
struct sample {
    uint64_t sequence, sent_ns, received_ns;
    int64_t offset_ns;
    int state;
    bool flag;
    double level_dbm;
    char name[8];
};

static const char *const states[] = { "lost", "answered", "late", NULL };

/* clang-format off */
static const struct field fields[] = {
    { "sequence", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct sample, sequence), 0, 0, "", NULL, "" },
    { "sent_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct sample, sent_ns), 0, 0, "", NULL, "" },
    { "received_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct sample, received_ns), 0, 0, "", NULL, "" },
    { "offset_ns", NULL, FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct sample, offset_ns), 0, 0, "", NULL, "" },
    { "state", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct sample, state), 0, 0, "", states, "" },
    { "flag", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct sample, flag), 0, 0, "", NULL, "" },
    { "level_dbm", NULL, FIELD_REAL, UNIT_DBM, FIELD_AT(struct sample, level_dbm), 0, 0, "", NULL, "" },
    { "name", NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct sample, name), 0, 0, "", NULL, "" },
};
/* clang-format on */

static const struct series series = { "echoes", "", sizeof(struct sample),
                                      fields, COUNT_OF(fields) };

static json_t *encode(const struct rows *rows)
{
    struct fault fault = { 0 };
    json_t *json = NULL;

    if (columns_encode(&series, rows, &json, &fault))
        fail_msg("%s", fault.text);
    return json;
}

static void assert_round_trip(const struct rows *rows)
{
    struct rows back = { .row_size = sizeof(struct sample) };
    struct fault fault = { 0 };
    json_t *json = encode(rows);

    if (columns_decode(&series, json, &back, &fault))
        fail_msg("%s", fault.text);
    assert_int_equal(back.count, rows->count);
    if (rows->count)
        assert_memory_equal(back.data, rows->data,
                            rows->count * rows->row_size);
    json_decref(json);
    rows_clear(&back);
}

static struct sample *add(struct rows *rows)
{
    struct sample *sample = rows_add(rows);

    sample->sequence = rows->count - 1;
    return sample;
}

static void rows_of_every_shape_come_back_as_they_were(void **state)
{
    struct rows rows = { .row_size = sizeof(struct sample) };

    (void) state;
    for (unsigned i = 0; i < 100; i++) {
        struct sample *sample = add(&rows);

        sample->sent_ns = UINT64_C(812345678901234) + i * UINT64_C(1000003);
        sample->received_ns = i % 7 ? sample->sent_ns + 61234 + i % 13 : 0;
        sample->offset_ns = (int64_t) i * -1000;
        sample->state = (int) (i % 3);
        sample->flag = i == 50;
        sample->level_dbm = -100.25 - i;
        (void) snprintf(sample->name, sizeof(sample->name), "n%u", i);
    }
    assert_round_trip(&rows);
    rows_clear(&rows);
}

static void no_rows_come_back_as_no_rows(void **state)
{
    struct rows rows = { .row_size = sizeof(struct sample) };

    (void) state;
    assert_round_trip(&rows);
}

static void the_largest_and_the_least_numbers_come_back(void **state)
{
    struct rows rows = { .row_size = sizeof(struct sample) };

    (void) state;
    add(&rows)->offset_ns = INT64_MIN;
    add(&rows)->offset_ns = -1;
    add(&rows)->sent_ns = INT64_MAX;
    add(&rows)->received_ns = INT64_MAX;
    assert_round_trip(&rows);
    rows_clear(&rows);
}

static void assert_not_encoded(const struct rows *rows, const char *words)
{
    struct fault fault = { 0 };
    json_t *json = NULL;

    assert_int_equal(columns_encode(&series, rows, &json, &fault), UV_ERANGE);
    assert_null(json);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

static void numbers_that_do_not_fit_are_refused_not_wrapped(void **state)
{
    struct rows rows = { .row_size = sizeof(struct sample) };

    (void) state;
    add(&rows)->sent_ns = (uint64_t) INT64_MAX + 1;
    assert_not_encoded(&rows, "sent_ns: found more than 2^63 - 1 in row 0");
    rows_clear(&rows);
    add(&rows)->offset_ns = INT64_MIN;
    add(&rows)->offset_ns = INT64_MAX;
    assert_not_encoded(&rows, "offset_ns: found too large a difference");
    rows_clear(&rows);
}

static void a_column_is_told_as_documented(void **state)
{
    struct rows rows = { .row_size = sizeof(struct sample) };
    static const uint64_t received_ns[] = { 812000007, 812040007, 812081009 };
    static const uint64_t sent_ns[] = { 812000000, 812040000, 812081000 };

    (void) state;
    for (size_t i = 0; i < 3; i++) {
        struct sample *sample = add(&rows);

        sample->sent_ns = sent_ns[i];
        sample->received_ns = received_ns[i];
        sample->level_dbm = -90;
        (void) snprintf(sample->name, sizeof(sample->name), "x");
    }
    json_t *json = encode(&rows);
    char *text = json_dumps(json, JSON_COMPACT | JSON_SORT_KEYS);
    assert_string_equal(
        text, "{\"columns\":{"
              "\"level_dbm\":[-90.0,-90.0,-90.0],"
              "\"name\":[\"x\",\"x\",\"x\"],"
              "\"received_ns\":{\"differences\":[7,0,2],\"over\":\"sent_ns\"},"
              "\"sent_ns\":{\"differences\":[812000,40,41],\"unit\":1000},"
              "\"sequence\":{\"differences\":[0,1,1]}},\"rows\":3}");
    free(text);
    json_decref(json);
    rows_clear(&rows);
}

static void assert_not_decoded(const char *text, const char *words)
{
    struct rows rows = { .row_size = sizeof(struct sample) };
    struct fault fault = { 0 };
    json_t *json = json_loads(text, 0, NULL);

    assert_non_null(json);
    assert_int_not_equal(columns_decode(&series, json, &rows, &fault), 0);
    if (!strstr(fault.text, words))
        fail_msg("%s: '%s' does not say '%s'", text, fault.text, words);
    json_decref(json);
    rows_clear(&rows);
}

#define SEQUENCE "\"sequence\":{\"differences\":[0,1]}"
#define PLAIN    "\"level_dbm\":[1,2],\"name\":[\"a\",\"b\"]"
#define TWO(columns)                                                           \
    "{\"rows\":2,\"columns\":{" SEQUENCE "," PLAIN "," columns "}}"

static void wrong_columns_are_refused_with_their_place(void **state)
{
    static const struct {
        const char *json, *words;
    } cases[] = {
        { "[]", "series.echoes.rows" },
        { "{\"rows\":-1,\"columns\":{}}", "a whole number" },
        { "{\"rows\":2.5,\"columns\":{}}", "a whole number" },
        { "{\"rows\":20000001,\"columns\":{}}", "at most 20000000" },
        { "{\"rows\":20000000,\"columns\":{}}",
          "series.echoes.sequence: found 0 values, expected 20000000" },
        { "{\"rows\":3,\"columns\":{" SEQUENCE "," PLAIN "}}",
          "found 2 values, expected 3" },
        { "{\"rows\":2,\"columns\":{" SEQUENCE "}}",
          "series.echoes.level_dbm" },
        { TWO("\"sent_ns\":{\"differences\":[1]}"), "one a row" },
        { TWO("\"sent_ns\":[1,2]"), "one a row" },
        { TWO("\"sent_ns\":{\"differences\":[1,-2]}"),
          "series.echoes.sent_ns: row 1 of 2" },
        { TWO("\"sent_ns\":{\"differences\":[1,1.5]}"), "row 1 of 2" },
        { TWO("\"sent_ns\":{\"differences\":[1,null]}"), "row 1 of 2" },
        { TWO("\"sent_ns\":{\"differences\":[9223372036854775807,1]}"),
          "row 1 of 2" },
        { TWO("\"sent_ns\":{\"unit\":10,\"differences\":"
              "[922337203685477581,0]}"),
          "row 0 of 2" },
        { TWO("\"sent_ns\":{\"unit\":0,\"differences\":[1,1]}"),
          "a unit from 1" },
        { TWO("\"sent_ns\":{\"unit\":\"1\",\"differences\":[1,1]}"),
          "a unit from 1" },
        { TWO("\"sent_ns\":{\"over\":\"received_ns\",\"differences\":[1,1]}"),
          "an earlier" },
        { TWO("\"sent_ns\":{\"over\":\"sent_ns\",\"differences\":[1,1]}"),
          "an earlier" },
        { TWO("\"sent_ns\":{\"over\":7,\"differences\":[1,1]}"), "an earlier" },
        { TWO("\"sent_ns\":{\"over\":\"sequence\",\"differences\":"
              "[9223372036854775807,0]}"),
          "row 1 of 2" },
        { TWO("\"state\":{\"differences\":[0,3]}"), "series.echoes.state" },
        { TWO("\"state\":{\"differences\":[0,-1]}"), "series.echoes.state" },
        { TWO("\"flag\":{\"differences\":[0,2]}"), "series.echoes.flag" },
        { "{\"rows\":2,\"columns\":{" SEQUENCE
          ",\"level_dbm\":[1,\"2\"],\"name\":[\"a\",\"b\"]}}",
          "series.echoes.level_dbm: found \"2\"" },
        { "{\"rows\":2,\"columns\":{" SEQUENCE
          ",\"level_dbm\":[1,2],\"name\":[\"a\",\"too long for it\"]}}",
          "series.echoes.name" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++)
        assert_not_decoded(cases[i].json, cases[i].words);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_of_every_shape_come_back_as_they_were),
        cmocka_unit_test(no_rows_come_back_as_no_rows),
        cmocka_unit_test(the_largest_and_the_least_numbers_come_back),
        cmocka_unit_test(numbers_that_do_not_fit_are_refused_not_wrapped),
        cmocka_unit_test(a_column_is_told_as_documented),
        cmocka_unit_test(wrong_columns_are_refused_with_their_place),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
