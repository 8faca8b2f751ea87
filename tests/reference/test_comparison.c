/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/comparison.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* "Student" (1908), as R's data set sleep. */
static const double sleep_1[] = { 0.7, -1.6, -0.2, -1.2, -0.1,
                                  3.4, 3.7,  0.8,  0.0,  2.0 };
static const double sleep_2[] = { 1.9, 0.8, 1.1, 0.1, -0.1,
                                  4.4, 5.5, 1.6, 4.6, 3.4 };

/* Hollander and Wolfe (1973): permeability. */
static const double permeability_x[] = { 0.80, 0.83, 1.89, 1.04, 1.45,
                                         1.38, 1.91, 1.64, 0.73, 1.46 };
static const double permeability_y[] = { 1.15, 0.88, 0.90, 0.74, 1.21 };

static void check_welch(const char *name, const struct welch *welch)
{
    published_check(name, "t", welch->t);
    published_check(name, "df", welch->degrees);
    published_check(name, "lo", welch->difference.low);
    published_check(name, "hi", welch->difference.high);
}

/* NIST/SEMATECH e-Handbook 1.3.5.3. */
static void welch_of_nists_car_mileage_agrees(void **state)
{
    struct values us = published_lines_column("AUTO83B.DAT", 26, 0, 0);
    struct values japan = published_lines_column("AUTO83B.DAT", 26, 1, 0);
    const struct welch welch =
        comparison_welch(us.items, us.count, japan.items, japan.count, 0.95);

    (void) state;
    assert_int_equal(us.count, 249);
    assert_int_equal(japan.count, 79);
    check_welch("auto83b-welch", &welch);
    values_clear(&us);
    values_clear(&japan);
}

static void welch_of_students_sleep_agrees(void **state)
{
    const struct welch welch = comparison_welch(sleep_1, COUNT(sleep_1),
                                                sleep_2, COUNT(sleep_2), 0.95);

    (void) state;
    check_welch("sleep-welch", &welch);
    published_check("sleep-welch", "p", welch.probability);
}

static void welch_from_means_and_spreads_agrees(void **state)
{
    const struct mean_error a = { 25, 0.8185 / 2, 3 };
    const struct mean_error b = { 21, 4.208 / sqrt(8), 7 };
    const struct welch welch = comparison_welch_of(&a, &b, 0.95);

    (void) state;
    check_welch("nag-welch", &welch);
    published_check("nag-welch", "p", welch.probability);
}

static void welch_of_two_rate_steps_agrees(void **state)
{
    struct values a =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "A");
    struct values b =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "B");
    const struct welch welch =
        comparison_welch(b.items, b.count, a.items, a.count, 0.95);
    const struct mean_error above = { statistics_mean(b.items, b.count),
                                      statistics_sd(b.items, b.count)
                                          / sqrt((double) b.count),
                                      (double) b.count - 1 };
    const struct mean_error below = { statistics_mean(a.items, a.count),
                                      statistics_sd(a.items, a.count)
                                          / sqrt((double) a.count),
                                      (double) a.count - 1 };
    const struct estimate ratio = statistics_ratio(&above, &below, 0.95);

    (void) state;
    check_welch("gain-welch", &welch);
    /* R's pt is good to 7 digits so far out. */
    assert_true(fabs(welch.probability / published_value("gain-welch", "p") - 1)
                < 1e-6);
    published_check("gain-log", "t_lo", ratio.low);
    published_check("gain-log", "t_hi", ratio.high);
    values_clear(&a);
    values_clear(&b);
}

static void one_value_has_no_spread_to_test(void **state)
{
    (void) state;
    assert_true(isnan(comparison_welch(sleep_1, 1, sleep_2, 10, 0.95).t));
    assert_true(
        isnan(comparison_welch(sleep_1, 0, sleep_2, 0, 0.95).probability));
}

static void mann_whitney_of_the_permeability_agrees(void **state)
{
    const struct rank_test test =
        comparison_ranks(permeability_x, COUNT(permeability_x), permeability_y,
                         COUNT(permeability_y), 0.95);

    (void) state;
    assert_true(test.is_exact);
    published_check("perm-mwu", "W", test.u);
    published_check("perm-mwu", "p_greater", test.greater);
    published_check("perm-mwu", "p_two", test.probability);
    published_check("perm-mwu", "HL", test.shift.value);
    published_check("perm-mwu", "lo", test.shift.low);
    published_check("perm-mwu", "hi", test.shift.high);
    published_check("perm-mwu", "level", test.level_ratio);
}

static void mann_whitney_of_two_rate_steps_agrees(void **state)
{
    struct values a =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "A");
    struct values b =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "B");
    const struct rank_test test =
        comparison_ranks(b.items, b.count, a.items, a.count, 0.95);

    (void) state;
    published_check("gain-mwu-hl", "U", test.u);
    published_check("gain-mwu-hl", "p_two", test.probability);
    published_check("gain-mwu-hl", "HL_shift", test.shift.value);
    published_check("gain-mwu-hl", "lo", test.shift.low);
    published_check("gain-mwu-hl", "hi", test.shift.high);
    published_check("gain-mwu-hl", "level", test.level_ratio);
    values_clear(&a);
    values_clear(&b);
}

/* Conover, "Practical Nonparametric Statistics", 3rd edition. */
static void mann_whitney_with_ties_agrees(void **state)
{
    struct values farm = published_lines_column("RANKSUM.DAT", 26, 0, 0);
    struct values city = published_lines_column("RANKSUM.DAT", 26, 1, 0);
    const struct rank_test test =
        comparison_ranks(farm.items, farm.count, city.items, city.count, 0.95);

    (void) state;
    assert_int_equal(farm.count, 12);
    assert_int_equal(city.count, 36);
    assert_false(test.is_exact);
    published_check("conover-ranksum", "U", test.u);
    published_check("conover-ranksum", "rank_sum",
                    test.u + 12.0 * (12 + 1) / 2);
    published_check("conover-ranksum", "p_cc", test.probability);
    values_clear(&farm);
    values_clear(&city);
}

/* Every row of the exact table: the probability of U <= u. */
static void exact_counts_of_mann_whitney_agree(void **state)
{
    struct values m = published_column("mwu_counts.csv", 0);
    struct values n = published_column("mwu_counts.csv", 1);
    struct values u = published_column("mwu_counts.csv", 2);
    struct values counts = published_column("mwu_counts.csv", 3);
    double sum = 0;

    (void) state;
    for (size_t i = 0; i < m.count; i++) {
        const size_t m_count = (size_t) m.items[i];
        const size_t n_count = (size_t) n.items[i];
        double a[64], b[64];
        double all = 1;
        size_t left = (size_t) u.items[i];

        assert_true(m_count < COUNT(a) && n_count < COUNT(b));
        if (left == 0)
            sum = 0;
        sum += counts.items[i];
        for (size_t k = 1; k <= m_count; k++)
            all = all * (double) (n_count + k) / (double) k;
        for (size_t k = 0; k < n_count; k++)
            b[k] = (double) k;
        /* U = u with each of a above so many of b; all different. */
        for (size_t k = 0; k < m_count; k++) {
            const size_t above = left < n_count ? left : n_count;

            a[k] = (double) above - 0.5 - 1e-3 * (double) k;
            left -= above;
        }
        const struct rank_test test =
            comparison_ranks(b, n_count, a, m_count, 0.95);
        /* P(U_b >= m n - u) = P(U_a <= u) */
        assert_true(fabs(test.greater - sum / all) < 1e-12);
    }
    values_clear(&m);
    values_clear(&n);
    values_clear(&u);
    values_clear(&counts);
}

static void lost_probes_rank_above_all_others(void **state)
{
    const double quick[] = { 1, 2, 3, 4, 5, 6 };
    const double slow[] = {
        3.5, 4.5, 7, 8, (double) INFINITY, (double) INFINITY
    };
    const struct rank_test test =
        comparison_ranks(slow, COUNT(slow), quick, COUNT(quick), 0.95);

    (void) state;
    assert_true(fabs(test.u - (3 + 4 + 4 * 6)) < 1e-12);
    assert_true(isfinite(test.shift.value));
    assert_true(isinf(test.shift.high));
}

static void log_ratios_of_alternating_rounds_agree(void **state)
{
    struct values a = published_column("gain_paired_synthetic.csv", 1);
    struct values b = published_column("gain_paired_synthetic.csv", 2);
    const struct rounds_gain gain =
        comparison_rounds(b.items, a.items, a.count, 0.95, 0.1);

    (void) state;
    assert_int_equal(gain.pair_count, 14);
    published_check("paired-log", "gain", gain.ratio.value);
    published_check("paired-log", "lo", gain.ratio.low);
    published_check("paired-log", "hi", gain.ratio.high);
    assert_int_equal(gain.change, CHANGE_SHOWN);
    values_clear(&a);
    values_clear(&b);
}

/* The paired t of the sleep data: exponentials have those differences as the
 * logarithms of their ratios. */
static void the_paired_t_of_students_sleep_agrees(void **state)
{
    double after[10], before[10];

    (void) state;
    for (size_t i = 0; i < 10; i++) {
        after[i] = exp(sleep_1[i]);
        before[i] = exp(sleep_2[i]);
    }
    const struct rounds_gain gain =
        comparison_rounds(after, before, 10, 0.95, 0.1);

    published_check("sleep-paired", "t", gain.t);
    published_check("sleep-paired", "df", (double) gain.pair_count - 1);
    published_check("sleep-paired", "p", gain.probability);
    published_check("sleep-paired", "lo", log(gain.ratio.low));
    published_check("sleep-paired", "hi", log(gain.ratio.high));
}

static void four_rounds_claim_nothing_and_five_do(void **state)
{
    const double before[] = { 100, 101, 99, 100, 102 };
    const double after[] = { 150, 153, 148, 149, 154 };

    (void) state;
    assert_int_equal(comparison_rounds(after, before, 4, 0.95, 0.1).change,
                     CHANGE_NOT_CLAIMED);
    assert_int_equal(comparison_rounds(after, before, 5, 0.95, 0.1).change,
                     CHANGE_SHOWN);
}

/* The claim holds exactly when the interval at 1 - 2 a lies within the margin:
 * Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657. */
static void
no_change_is_claimed_when_the_90_percent_interval_is_inside(void **state)
{
    struct values a = published_column("gain_paired_synthetic.csv", 1);
    double after[14];

    (void) state;
    /* Noise as in the record, the true gain taken out. */
    struct values b = published_column("gain_paired_synthetic.csv", 2);

    for (size_t i = 0; i < 14; i++)
        after[i] = b.items[i] / 1.38;
    for (int i = 10; i < 200; i++) {
        const double margin = i * 1e-3;
        const struct rounds_gain gain =
            comparison_rounds(after, a.items, 14, 0.95, margin);
        const struct rounds_gain narrow =
            comparison_rounds(after, a.items, 14, 0.90, margin);
        const bool is_inside = narrow.ratio.low > 1 / (1 + margin)
                               && narrow.ratio.high < 1 + margin;

        assert_true(is_inside == (gain.same < 0.05));
        assert_int_equal(gain.change,
                         is_inside ? CHANGE_NONE : CHANGE_UNDECIDED);
    }
    values_clear(&a);
    values_clear(&b);
}

static void equivalence_without_spread_is_plain(void **state)
{
    (void) state;
    assert_true(comparison_equivalence(0.01, 0, 5, 0.05) < 0.01);
    assert_true(comparison_equivalence(0.06, 0, 5, 0.05) > 0.99);
    assert_true(isnan(comparison_equivalence(0, (double) NAN, 5, 0.05)));
    assert_true(isnan(comparison_equivalence(0, 1, 5, 0)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(welch_of_nists_car_mileage_agrees),
        cmocka_unit_test(welch_of_students_sleep_agrees),
        cmocka_unit_test(welch_from_means_and_spreads_agrees),
        cmocka_unit_test(welch_of_two_rate_steps_agrees),
        cmocka_unit_test(one_value_has_no_spread_to_test),
        cmocka_unit_test(mann_whitney_of_the_permeability_agrees),
        cmocka_unit_test(mann_whitney_of_two_rate_steps_agrees),
        cmocka_unit_test(mann_whitney_with_ties_agrees),
        cmocka_unit_test(exact_counts_of_mann_whitney_agree),
        cmocka_unit_test(lost_probes_rank_above_all_others),
        cmocka_unit_test(log_ratios_of_alternating_rounds_agree),
        cmocka_unit_test(the_paired_t_of_students_sleep_agrees),
        cmocka_unit_test(four_rounds_claim_nothing_and_five_do),
        cmocka_unit_test(
            no_change_is_claimed_when_the_90_percent_interval_is_inside),
        cmocka_unit_test(equivalence_without_spread_is_plain),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
