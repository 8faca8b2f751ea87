/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/ticks.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* Heckbert's rule as an independent implementation (R package labeling 0.4.2)
 * gives it for five ticks; the decimals are what it takes to print them. */
static const struct {
    const char *name;
    double least, most;
    int decimals;
} cases[] = {
    { "ticks-0-100", 0, 100, 0 },
    { "ticks-8.1-14.1", 8.1, 14.1, 0 },
    { "ticks--2.3-47.9", -2.3, 47.9, 0 },
    { "ticks-90-620", 90, 620, 0 },
    { "ticks-0-9540", 0, 9540, 0 },
    { "ticks-583-1247", 583, 1247, 0 },
    { "ticks-42.7-61.2", 42.7, 61.2, 0 },
    { "ticks-0.0012-0.0087", 0.0012, 0.0087, 3 },
};

static void ticks_are_those_of_the_published_rule(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(cases); i++) {
        const struct ticks ticks = ticks_for(cases[i].least, cases[i].most, 5);
        struct values expected = published_list(cases[i].name, "heckbert");

        assert_int_equal(ticks.count, expected.count);
        for (size_t k = 0; k < expected.count; k++)
            assert_true(fabs(ticks_at(&ticks, k) - expected.items[k]) < 1e-9);
        assert_int_equal(ticks.decimals, cases[i].decimals);
        values_clear(&expected);
    }
}

static void nothing_to_show_still_gives_an_axis(void **state)
{
    static const double odd[][2] = {
        { 0, 0 }, { 5, 5 }, { NAN, NAN }, { 0, INFINITY }, { 3, -3 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT(odd); i++) {
        const struct ticks ticks = ticks_for(odd[i][0], odd[i][1], 5);

        assert_true(ticks.high > ticks.low);
        assert_true(ticks.count >= 2 && ticks.count < 20);
    }
}

static void an_axis_may_end_between_two_ticks(void **state)
{
    struct ticks ticks = ticks_for(0, 22, 7);

    (void) state;
    ticks_end_at(&ticks, 22.4);
    assert_true(ticks.high == 22.4);
    assert_true(ticks_at(&ticks, ticks.count - 1) <= 22.4);
    assert_true(ticks_at(&ticks, ticks.count) > 22.4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ticks_are_those_of_the_published_rule),
        cmocka_unit_test(nothing_to_show_still_gives_an_axis),
        cmocka_unit_test(an_axis_may_end_between_two_ticks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
