/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <bothends/draw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

/*
 * The first outputs for seed 1234567 as they go round with SplitMix64's
 * reference implementations (quoted from memory).
 */
static void splitmix64_gives_its_known_numbers(void **state)
{
    static const uint64_t known[] = {
        UINT64_C(6457827717110365317),  UINT64_C(3203168211198807973),
        UINT64_C(9817491932198370423),  UINT64_C(4593380528125082431),
        UINT64_C(16408922859458223821),
    };
    struct draw draw = { 1234567 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(known); i++)
        assert_true(draw_next(&draw) == known[i]);
}

static void a_unit_draw_is_never_one(void **state)
{
    struct draw draw = { 1 };

    (void) state;
    for (int i = 0; i < 100000; i++) {
        const double unit = draw_unit(&draw);

        assert_true(unit >= 0 && unit < 1);
    }
}

/* Ten standard errors wide: fails by chance less than once in 10^20. */
static void assert_mean(const struct spread *spread, double mean,
                        double deviation)
{
    enum {
        COUNT = 100000
    };
    struct draw draw = { 20 };
    double sum = 0;

    for (int i = 0; i < COUNT; i++)
        sum += draw_spread(&draw, spread);
    assert_true(fabs(sum / COUNT - mean) <= 10 * deviation / sqrt(COUNT));
}

static void draws_have_the_mean_that_was_asked_for(void **state)
{
    (void) state;
    assert_mean(&(struct spread){ SPREAD_FIXED, 7, 7, 7 }, 7, 0);
    assert_mean(&(struct spread){ SPREAD_UNIFORM, 2, 1, 3 }, 2, 2 / sqrt(12.0));
    assert_mean(&(struct spread){ SPREAD_EXPONENTIAL, 5, 0, 0 }, 5, 5);
}

static void a_uniform_draw_stays_within_its_limits(void **state)
{
    const struct spread spread = { SPREAD_UNIFORM, 2, 1, 3 };
    struct draw draw = { 9 };

    (void) state;
    for (int i = 0; i < 100000; i++) {
        const double drawn = draw_spread(&draw, &spread);

        assert_true(drawn >= 1 && drawn < 3);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(splitmix64_gives_its_known_numbers),
        cmocka_unit_test(a_unit_draw_is_never_one),
        cmocka_unit_test(draws_have_the_mean_that_was_asked_for),
        cmocka_unit_test(a_uniform_draw_stays_within_its_limits),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
