/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/ticks.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* Heckbert's rule as an independent implementation (R package labeling 0.4.2)
 * gives it for five ticks. */
static const struct {
    double least, most, low, high, step;
    int decimals;
} cases[] = {
    { 0, 100, 0, 100, 20, 0 },      { 8.1, 14.1, 8, 16, 2, 0 },
    { -2.3, 47.9, -20, 60, 20, 0 }, { 90, 620, 0, 800, 200, 0 },
    { 0, 9540, 0, 10000, 2000, 0 }, { 583, 1247, 400, 1400, 200, 0 },
    { 42.7, 61.2, 40, 65, 5, 0 },   { 0.0012, 0.0087, 0, 0.01, 0.002, 3 },
};

static void ticks_are_those_of_the_published_rule(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(cases); i++) {
        const struct ticks ticks = ticks_for(cases[i].least, cases[i].most, 5);

        assert_true(fabs(ticks.step - cases[i].step) < 1e-12);
        assert_true(fabs(ticks.low - cases[i].low) < 1e-9);
        assert_true(fabs(ticks_at(&ticks, ticks.count - 1) - cases[i].high)
                    < 1e-9);
        assert_int_equal(ticks.decimals, cases[i].decimals);
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
