/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/lookup.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

static void the_rows_of_a_key_come_in_their_order(void **state)
{
    struct lookup lookup;

    (void) state;
    lookup_init(&lookup);
    for (size_t i = 3000; i-- > 0;)
        lookup_add(&lookup, lookup_number(LOOKUP_KEY, i % 7), i);
    lookup_sort(&lookup);
    for (size_t key = 0; key < 7; key++) {
        const struct lookup_found found =
            lookup_find(&lookup, lookup_number(LOOKUP_KEY, key));

        assert_int_equal(found.count, 3000 / 7 + (key < 3000 % 7));
        for (size_t i = 0; i < found.count; i++)
            assert_int_equal(found.entries[i].index, 7 * i + key);
    }
    lookup_clear(&lookup);
}

static void a_key_without_rows_finds_none(void **state)
{
    struct lookup lookup;

    (void) state;
    lookup_init(&lookup);
    lookup_sort(&lookup);
    assert_int_equal(lookup_find(&lookup, LOOKUP_KEY).count, 0);
    lookup_add(&lookup, 5, 0);
    lookup_sort(&lookup);
    assert_int_equal(lookup_find(&lookup, 4).count, 0);
    assert_int_equal(lookup_find(&lookup, 6).count, 0);
    assert_int_equal(lookup_find(&lookup, 5).count, 1);
    lookup_clear(&lookup);
}

static void names_cut_elsewhere_make_another_key(void **state)
{
    (void) state;
    assert_int_not_equal(lookup_text(lookup_text(LOOKUP_KEY, "mill"), "quay"),
                         lookup_text(lookup_text(LOOKUP_KEY, "millq"), "uay"));
    assert_int_not_equal(lookup_text(lookup_text(LOOKUP_KEY, ""), "quay"),
                         lookup_text(lookup_text(LOOKUP_KEY, "quay"), ""));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_rows_of_a_key_come_in_their_order),
        cmocka_unit_test(a_key_without_rows_finds_none),
        cmocka_unit_test(names_cut_elsewhere_make_another_key),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
