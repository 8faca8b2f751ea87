/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/arrivals.h"

#include <bothends/kinds/download.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static struct rows rows_of(const struct download_arrival *items, size_t count)
{
    struct rows rows = { .row_size = sizeof(*items) };

    for (size_t i = 0; i < count; i++)
        *(struct download_arrival *) rows_add(&rows) = items[i];
    return rows;
}

static void a_span_counts_the_bytes_after_its_first_arrival(void **state)
{
    static const struct download_arrival items[] = { { 0, 1000, 500 },
                                                     { 0, 2000, 1448 },
                                                     { 0, 3000, 1448 } };
    struct rows rows = rows_of(items, COUNT_OF(items));
    struct arrivals arrivals;

    (void) state;
    arrivals_init(&arrivals, &rows);
    assert_true(arrivals_bytes_by(&arrivals, 3000)
                    - arrivals_bytes_by(&arrivals, 1000)
                == 2 * 1448);
    /* Half-way between two arrivals half of the later one is there. */
    assert_true(arrivals_bytes_by(&arrivals, 2500) == 500 + 1448 + 1448.0 / 2);
    assert_true(arrivals_bytes_by(&arrivals, 9000) == 500 + 2 * 1448);
    assert_true(arrivals_bytes_by(&arrivals, 0) == 500);
    arrivals_clear(&arrivals);
    rows_clear(&rows);
}

static void order_and_equal_times_do_not_matter(void **state)
{
    static const struct download_arrival items[] = {
        { 1, 3000, 10 }, { 0, 1000, 20 }, { 1, 1000, 30 },
        { 0, 2000, 0 },  { 0, 2000, 40 },
    };
    struct rows rows = rows_of(items, COUNT_OF(items));
    struct arrivals arrivals;

    (void) state;
    arrivals_init(&arrivals, &rows);
    assert_int_equal(arrivals.count, 3);
    assert_true(arrivals.sum_bytes[0] == 50);
    assert_true(arrivals.sum_bytes[2] == 100);
    assert_int_equal(arrivals_until(&arrivals, 999), 0);
    assert_int_equal(arrivals_until(&arrivals, 1000), 1);
    assert_int_equal(arrivals_until(&arrivals, UINT64_MAX), 3);
    arrivals_clear(&arrivals);
    rows_clear(&rows);
}

static void whole_cycles_of_a_slotted_channel_have_one_rate(void **state)
{
    struct rows rows = { .row_size = sizeof(struct download_arrival) };
    struct arrivals arrivals;
    const uint64_t cycle_ns = 170 * NS_PER_MS;

    (void) state;
    /* Three segments in the first 138 ms of each cycle, then nothing. */
    for (uint64_t i = 0; i < 300; i++)
        *(struct download_arrival *) rows_add(
            &rows) = (struct download_arrival){
            .at_ns = NS_PER_S + i / 3 * cycle_ns + (i % 3 + 1) * 46 * NS_PER_MS,
            .bytes = 1000,
        };
    arrivals_init(&arrivals, &rows);
    double *rates_bps =
        arrivals_rates_bps(&arrivals, arrivals.at_ns[0], (double) cycle_ns, 99);

    for (size_t i = 0; i < 99; i++)
        assert_true(fabs(rates_bps[i] - 3000 * 8 / 0.170) < 1e-3);
    free(rates_bps);
    arrivals_clear(&arrivals);
    rows_clear(&rows);
}

static void nothing_arrived_is_nothing_by_any_time(void **state)
{
    struct rows rows = { .row_size = sizeof(struct download_arrival) };
    struct arrivals arrivals;

    (void) state;
    arrivals_init(&arrivals, &rows);
    assert_int_equal(arrivals.count, 0);
    assert_true(arrivals_bytes_by(&arrivals, 5) == 0);
    arrivals_clear(&arrivals);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_span_counts_the_bytes_after_its_first_arrival),
        cmocka_unit_test(order_and_equal_times_do_not_matter),
        cmocka_unit_test(whole_cycles_of_a_slotted_channel_have_one_rate),
        cmocka_unit_test(nothing_arrived_is_nothing_by_any_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
