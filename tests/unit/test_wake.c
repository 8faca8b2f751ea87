/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/wake.h"

#include <bothends/units.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>

#include <cmocka.h>

struct fixture {
    uv_loop_t loop;
    struct wake wake;
    uint64_t woken_ns; /* the latest call */
    int woken_count;
    bool is_closed;
};

static void on_wake(void *owner)
{
    struct fixture *fixture = owner;

    fixture->woken_ns = uv_hrtime();
    fixture->woken_count++;
}

static void on_closed(void *owner)
{
    struct fixture *fixture = owner;

    fixture->is_closed = true;
}

static int setup(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    *state = fixture;
    if (!fixture || uv_loop_init(&fixture->loop) != 0)
        return -1;
    return wake_init(&fixture->wake, &fixture->loop, on_wake, fixture);
}

static int teardown(void **state)
{
    struct fixture *fixture = *state;

    wake_close(&fixture->wake, on_closed);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_true(fixture->is_closed);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    free(fixture);
    return 0;
}

static void it_wakes_once_and_never_early(void **state)
{
    struct fixture *fixture = *state;

    for (int i = 1; i <= 50; i++) {
        /* Odd times, so that rounding to ms would show. */
        const uint64_t at_ns =
            uv_hrtime() + 1500 * NS_PER_US + (uint64_t) i * 7777;

        wake_set(&fixture->wake, at_ns);
        (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
        assert_int_equal(fixture->woken_count, i);
        assert_true(fixture->woken_ns >= at_ns);
    }
}

static void a_time_that_is_past_wakes_at_once(void **state)
{
    struct fixture *fixture = *state;

    wake_set(&fixture->wake, 0);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    wake_set(&fixture->wake, uv_hrtime() - NS_PER_S);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->woken_count, 2);
}

static void setting_anew_replaces_the_time(void **state)
{
    struct fixture *fixture = *state;
    const uint64_t at_ns = uv_hrtime() + 30 * NS_PER_MS;

    wake_set(&fixture->wake, uv_hrtime() + NS_PER_MS);
    wake_set(&fixture->wake, at_ns);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->woken_count, 1);
    assert_true(fixture->woken_ns >= at_ns);
}

static void unset_it_stays_silent(void **state)
{
    struct fixture *fixture = *state;

    wake_set(&fixture->wake, uv_hrtime() + NS_PER_MS);
    wake_unset(&fixture->wake);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT); /* nothing to wait for */
    assert_int_equal(fixture->woken_count, 0);
}

static void it_can_be_closed_while_set(void **state)
{
    struct fixture *fixture = *state;

    wake_set(&fixture->wake, uv_hrtime() + 3600 * NS_PER_S);
}

int main(void)
{
#define WAKE_TEST(name) cmocka_unit_test_setup_teardown(name, setup, teardown)
    const struct CMUnitTest tests[] = {
        WAKE_TEST(it_wakes_once_and_never_early),
        WAKE_TEST(a_time_that_is_past_wakes_at_once),
        WAKE_TEST(setting_anew_replaces_the_time),
        WAKE_TEST(unset_it_stays_silent),
        WAKE_TEST(it_can_be_closed_while_set),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
