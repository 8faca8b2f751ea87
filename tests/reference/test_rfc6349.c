/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * The tables of RFC 6349.  Where the RFC rounds its printed figures this way
 * and that ("rounded for simplicity") the exact ones are worked out from its
 * own inputs.
 */
#include "reports/rfc6349.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static void assert_near(double found, double expected, double tolerance)
{
    if (!(fabs(found - expected) <= tolerance))
        fail_msg("found %.9g, expected %.9g", found, expected);
}

/* Table 3.3.1, whole, and the asymmetric example below it. */
static void paths_hold_the_bytes_of_table_3_3_1(void **state)
{
    static const struct {
        double rate_mbps, rtt_ms, path_kb;
    } rows[] = {
        { 1.536, 20, 3.84 },     { 1.536, 50, 9.6 },
        { 1.536, 100, 19.2 },    { 44.21, 10, 55.2625 },
        { 44.21, 15, 82.89375 }, { 44.21, 25, 138.15625 },
        { 100, 1, 12.5 },        { 100, 2, 25 },
        { 100, 5, 62.5 },        { 1000, 0.1, 12.5 },
        { 1000, 0.5, 62.5 },     { 1000, 1, 125 },
        { 10000, 0.05, 62.5 },   { 10000, 0.3, 375 },
        { 5, 90, 56.25 },        { 0.64, 90, 7.2 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT(rows); i++)
        assert_near(
            rfc6349_path_bytes(rows[i].rtt_ms * 1e-3, rows[i].rate_mbps * 1e6),
            rows[i].path_kb * 1e3, 1e-6);
}

/* Section 3.3.1, figures 3.3.1a and b; KB are 1000 bytes there. */
static void small_windows_allow_what_figure_3_3_1_shows(void **state)
{
    static const struct {
        double window_kb, rtt_ms, rate_mbps;
    } rows[] = {
        { 16, 5, 25.6 },   { 16, 10, 12.8 },    { 16, 15, 8.5333 },
        { 16, 25, 5.12 },  { 64, 15, 34.1333 }, { 64, 25, 20.48 },
        { 32, 25, 10.24 }, { 128, 25, 40.96 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT(rows); i++)
        assert_near(
            rfc6349_window_bps(rows[i].window_kb * 1e3, rows[i].rtt_ms * 1e-3),
            rows[i].rate_mbps * 1e6, 100);
    assert_true(isinf(rfc6349_window_bps(1000, 0)));
}

/* Section 4.2's example; its printed 98.03 % is cut, not rounded. */
static void efficiency_is_that_of_section_4_2(void **state)
{
    (void) state;
    assert_near(rfc6349_efficiency(102000, 2000), 100000.0 / 102000, 1e-12);
    assert_true(isnan(rfc6349_efficiency(0, 0)));
}

/* Section 4.3's example: 25 ms became 32 ms. */
static void buffer_delay_is_that_of_section_4_3(void **state)
{
    (void) state;
    assert_near(rfc6349_buffer_delay(32e-3, 25e-3), 0.28, 1e-12);
    assert_true(isnan(rfc6349_buffer_delay(32e-3, 0)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(paths_hold_the_bytes_of_table_3_3_1),
        cmocka_unit_test(small_windows_allow_what_figure_3_3_1_shows),
        cmocka_unit_test(efficiency_is_that_of_section_4_2),
        cmocka_unit_test(buffer_delay_is_that_of_section_4_3),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
