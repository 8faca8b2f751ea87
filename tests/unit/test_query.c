/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/query.h"

#include <setjmp.h>
#include <stdarg.h>

#include <cmocka.h>

/* clang-format off */
static const struct {
    const char *query, *name;
    enum query_result result;
    const char *value;
} texts[] = {
    { "", "to", QUERY_ABSENT, NULL },
    { "to=10.1.2.3", "to", QUERY_FOUND, "10.1.2.3" },
    { "to=fd00%3a%3A1&bytes=5", "to", QUERY_FOUND, "fd00::1" },
    { "bytes=5&to=a%25b", "to", QUERY_FOUND, "a%b" },
    { "to=", "to", QUERY_FOUND, "" },
    { "tool=1", "to", QUERY_ABSENT, NULL },
    { "to", "to", QUERY_ABSENT, NULL },
    { "to=%4", "to", QUERY_WRONG, NULL },
    { "to=%4g", "to", QUERY_WRONG, NULL },
    { "to=a%00b", "to", QUERY_WRONG, NULL },
    { "to=%4&x=1", "to", QUERY_WRONG, NULL },
    { "to=0123456789abcdef", "to", QUERY_WRONG, NULL }, /* no room */
};
/* clang-format on */

static void a_value_is_decoded_or_said_to_be_wrong(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++) {
        char room[16] = "untouched";

        if (query_text(texts[i].query, texts[i].name, room, sizeof(room))
            != texts[i].result)
            fail_msg("'%s'", texts[i].query);
        if (texts[i].value)
            assert_string_equal(room, texts[i].value);
    }
}

static void a_whole_number_is_held_against_its_limit(void **state)
{
    uint64_t value = 0;

    (void) state;
    assert_int_equal(query_whole("wait_ms=600", "wait_ms", 600, &value),
                     QUERY_FOUND);
    assert_int_equal(value, 600);
    assert_int_equal(query_whole("wait_ms=601", "wait_ms", 600, &value),
                     QUERY_WRONG);
    assert_int_equal(query_whole("wait_ms=-1", "wait_ms", 600, &value),
                     QUERY_WRONG);
    assert_int_equal(query_whole("wait_ms=1s", "wait_ms", 600, &value),
                     QUERY_WRONG);
    assert_int_equal(query_whole("wait_ms=", "wait_ms", 600, &value),
                     QUERY_WRONG);
    assert_int_equal(query_whole("ack=x", "wait_ms", 600, &value),
                     QUERY_ABSENT);
}

static void unknown_names_are_found(void **state)
{
    static const char *const known[] = { "ack", "to", NULL };
    char room[16];

    (void) state;
    assert_false(query_has_unknown("", known, room, sizeof(room)));
    assert_false(query_has_unknown("ack=1&to=2&", known, room, sizeof(room)));
    assert_true(query_has_unknown("ack=1&too=2", known, room, sizeof(room)));
    assert_string_equal(room, "too");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_value_is_decoded_or_said_to_be_wrong),
        cmocka_unit_test(a_whole_number_is_held_against_its_limit),
        cmocka_unit_test(unknown_names_are_found),
    };

    return cmocka_run_group_tests_name("query", tests, NULL, NULL);
}
