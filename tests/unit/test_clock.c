/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"

#include <bothends/units.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>

#include <cmocka.h>

static void
a_wall_stamp_between_two_readings_converts_to_between_them(void **state)
{
    (void) state;
    for (int i = 0; i < 1000; i++) {
        struct timespec wall;
        uint64_t uncertainty_ns = 0;
        const uint64_t before_ns = clock_now_ns();

        assert_int_equal(clock_gettime(CLOCK_REALTIME, &wall), 0);
        const uint64_t after_ns = clock_now_ns();
        const int64_t difference_ns =
            clock_wall_minus_monotonic_ns(&uncertainty_ns);
        const uint64_t stamp_ns = clock_from_wall(&wall, difference_ns);
        /* 1 ms beside: somebody may be slewing the wall clock meanwhile. */
        assert_true(stamp_ns + uncertainty_ns + NS_PER_MS >= before_ns);
        assert_true(stamp_ns <= after_ns + uncertainty_ns + NS_PER_MS);
    }
}

static void converting_is_exact_to_the_nanosecond(void **state)
{
    const struct timespec wall = { .tv_sec = 1700000000, .tv_nsec = 123456789 };

    (void) state;
    assert_true(clock_from_wall(&wall, INT64_C(1699999000000000001))
                == UINT64_C(1000123456788));
    /* A computer whose wall clock stands before its boot. */
    assert_true(
        clock_from_wall(&(struct timespec){ .tv_sec = 5 }, -INT64_C(2000000000))
        == UINT64_C(7000000000));
}

static void the_monotonic_clock_never_goes_back(void **state)
{
    uint64_t last_ns = clock_now_ns();

    (void) state;
    for (int i = 0; i < 100000; i++) {
        const uint64_t now_ns = clock_now_ns();

        assert_true(now_ns >= last_ns);
        last_ns = now_ns;
    }
}

static void a_computer_that_stays_awake_sleeps_no_longer(void **state)
{
    const uint64_t before_ns = clock_suspended_ns();

    (void) state;
    for (int i = 0; i < 1000; i++) {
        const uint64_t now_ns = clock_suspended_ns();

        assert_true(now_ns <= before_ns + 2 * NS_PER_MS);
        assert_true(now_ns + 2 * NS_PER_MS >= before_ns);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            a_wall_stamp_between_two_readings_converts_to_between_them),
        cmocka_unit_test(converting_is_exact_to_the_nanosecond),
        cmocka_unit_test(the_monotonic_clock_never_goes_back),
        cmocka_unit_test(a_computer_that_stays_awake_sleeps_no_longer),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
