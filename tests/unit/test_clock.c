/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"

#include <bothends/practice_clock.h>
#include <bothends/units.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

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

/* Writes it over what is there, so that a mapping sees it. */
static void write_file(const char *path, const void *bytes, size_t size)
{
    FILE *file = fopen(path, "r+");

    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
}

static void make_wrong(struct practice_clock *clock, const char *path,
                       int64_t offset_ns, double skew_ratio)
{
    *clock = (struct practice_clock){ .mark = PRACTICE_CLOCK_MARK,
                                      .skew_ratio = skew_ratio,
                                      .since_ns = (int64_t) clock_now_ns(),
                                      .offset_ns = offset_ns };
    write_file(path, clock, sizeof(*clock));
}

/* 20 ms: somebody may be setting the real one a little meanwhile. */
static void assert_near(int64_t found_ns, int64_t expected_ns)
{
    assert_true(found_ns > expected_ns - 20 * (int64_t) NS_PER_MS);
    assert_true(found_ns < expected_ns + 20 * (int64_t) NS_PER_MS);
}

/* The last test: from here on this program practises. */
static void
a_practice_clock_is_wrong_and_stamps_convert_all_the_same(void **state)
{
    const int64_t right_ns = clock_wall_minus_monotonic_ns(NULL);
    char path[] = "/tmp/bothends-clock.XXXXXX";
    const int fd = mkstemp(path);
    struct practice_clock clock;
    struct fault fault = { 0 };
    struct timespec wall;

    (void) state;
    assert_true(fd >= 0);
    assert_true(clock_practise(path, &fault) < 0); /* empty */
    assert_non_null(strstr(fault.text, "cannot map the practice clock"));
    fault = (struct fault){ 0 };
    write_file(path, &(struct practice_clock){ .mark = 1 }, sizeof(clock));
    assert_true(clock_practise(path, &fault) < 0);
    assert_non_null(strstr(fault.text, "expected a practice clock"));

    make_wrong(&clock, path, 7200 * (int64_t) NS_PER_S, 0);
    assert_int_equal(clock_practise(path, &fault), 0);
    assert_near(clock_wall_minus_monotonic_ns(NULL) - right_ns,
                7200 * (int64_t) NS_PER_S);
    const uint64_t before_ns = clock_now_ns();

    assert_int_equal(clock_gettime(CLOCK_REALTIME, &wall), 0);
    assert_near(
        (int64_t) clock_from_wall(&wall, clock_wall_minus_monotonic_ns(NULL)),
        (int64_t) before_ns);
    /* A step back, then a clock that has run off for 100 s. */
    make_wrong(&clock, path, -3 * (int64_t) NS_PER_S, 0);
    assert_near(clock_wall_minus_monotonic_ns(NULL) - right_ns,
                -3 * (int64_t) NS_PER_S);
    clock.skew_ratio = 500e-6;
    clock.since_ns -= 100 * (int64_t) NS_PER_S;
    write_file(path, &clock, sizeof(clock));
    assert_near(clock_wall_minus_monotonic_ns(NULL) - right_ns,
                -3 * (int64_t) NS_PER_S + 50 * (int64_t) NS_PER_MS);
    (void) close(fd);
    (void) unlink(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            a_wall_stamp_between_two_readings_converts_to_between_them),
        cmocka_unit_test(converting_is_exact_to_the_nanosecond),
        cmocka_unit_test(the_monotonic_clock_never_goes_back),
        cmocka_unit_test(a_computer_that_stays_awake_sleeps_no_longer),
        cmocka_unit_test(
            a_practice_clock_is_wrong_and_stamps_convert_all_the_same),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
