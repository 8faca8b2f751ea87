/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pixel_columns.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define SAMPLES 1000000

/* Of a million samples the single highest and the single lowest one stay, each
 * in its own column, and no more columns than a chart has. */
static void a_million_samples_keep_each_columns_extremes(void **state)
{
    struct rows columns = { .row_size = sizeof(struct pixel_column) };
    const size_t high = 123456, low = 777777;
    double most = 0, least = INFINITY;
    size_t most_place = 0, least_place = 0;

    (void) state;
    for (size_t i = 0; i < SAMPLES; i++)
        pixel_columns_add(&columns, (double) i, SAMPLES,
                          i == high  ? 9
                          : i == low ? 0.001
                                     : 1 + 0.5 * sin((double) i));
    assert_int_equal(columns.count, PIXEL_COLUMNS_MOST);
    for (size_t i = 0; i < columns.count; i++) {
        const struct pixel_column *column = rows_at(&columns, i);

        assert_int_equal(column->place, i);
        if (column->most > most) {
            most = column->most;
            most_place = column->place;
        }
        if (column->least < least) {
            least = column->least;
            least_place = column->place;
        }
    }
    assert_true(most == 9 && least == 0.001);
    assert_int_equal(most_place, high * PIXEL_COLUMNS_MOST / SAMPLES);
    assert_int_equal(least_place, low * PIXEL_COLUMNS_MOST / SAMPLES);
    rows_clear(&columns);
}

static void what_is_missing_is_counted_and_not_drawn(void **state)
{
    struct rows columns = { .row_size = sizeof(struct pixel_column) };

    (void) state;
    pixel_columns_add(&columns, 0, 10, (double) NAN);
    pixel_columns_add(&columns, 0, 10, 3);
    pixel_columns_add(&columns, 9.999, 10, (double) NAN);
    assert_int_equal(columns.count, 2);
    const struct pixel_column *first = rows_at(&columns, 0);
    const struct pixel_column *last = rows_at(&columns, 1);

    assert_true(first->least == 3 && first->most == 3);
    assert_int_equal(first->count, 2);
    assert_int_equal(first->missing_count, 1);
    assert_true(isnan(last->least) && isnan(last->most));
    assert_int_equal(last->place, PIXEL_COLUMNS_MOST - 1);
    rows_clear(&columns);
}

static void samples_beyond_the_span_stay_on_the_chart(void **state)
{
    struct rows columns = { .row_size = sizeof(struct pixel_column) };

    (void) state;
    pixel_columns_add(&columns, -1, 10, 1);
    pixel_columns_add(&columns, 25, 10, 2);
    pixel_columns_add(&columns, 26, 10, 4);
    assert_int_equal(columns.count, 2);
    assert_true(((struct pixel_column *) rows_at(&columns, 1))->most == 4);
    rows_clear(&columns);
    pixel_columns_add(&columns, 5, 0, 1); /* an exchange that took no time */
    pixel_columns_add(&columns, 5, (double) NAN, 1);
    assert_int_equal(columns.count, 1);
    rows_clear(&columns);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_million_samples_keep_each_columns_extremes),
        cmocka_unit_test(what_is_missing_is_counted_and_not_drawn),
        cmocka_unit_test(samples_beyond_the_span_stay_on_the_chart),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
