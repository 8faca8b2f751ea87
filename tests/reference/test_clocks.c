/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/clock_pair.h"
#include "tests/support/published.h"

#include <bothends/draw.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the six above */
#include <cmocka.h>

/*
 * The line below all delays, against linear programming by SciPy 1.10.1
 * (HiGHS), and the four stamps of RFC 5905 section 8.  The records are made by
 * a seeded generator; what is true of them stands in their first lines.
 */
static const double ppm = 1e-6;
static const double s = 1e9; /* in ns */

struct record {
    struct clock_point *points;
    size_t count;
};

/* From columns in microseconds: when, and what is taken from what. */
static struct record read_record(const char *file, int at, int later,
                                 int earlier)
{
    struct values ats = published_column(file, at);
    struct values laters = published_column(file, later);
    struct values earliers = published_column(file, earlier);
    struct record record = { calloc(ats.count, sizeof(struct clock_point)),
                             ats.count };

    assert_non_null(record.points);
    for (size_t i = 0; i < ats.count; i++)
        record.points[i] = (struct clock_point){
            llround(ats.items[i]) * 1000,
            (llround(laters.items[i]) - llround(earliers.items[i])) * 1000
        };
    values_clear(&ats);
    values_clear(&laters);
    values_clear(&earliers);
    return record;
}

static void
the_smallest_example_has_the_line_of_the_linear_program(void **state)
{
    static const double apart[] = { 10,   12.5, 10.4, 14,   10.9,
                                    10.9, 13,   11.6, 12.2, 12 };
    const size_t count = sizeof(apart) / sizeof(apart[0]);
    struct clock_point points[sizeof(apart) / sizeof(apart[0])];
    struct clock_line line;
    double sum_ns = 0;

    (void) state;
    /* In another order: the line is put in order itself. */
    for (size_t i = 0; i < count; i++)
        points[count - 1 - i] = (struct clock_point){ llround((double) i * s),
                                                      llround(apart[i] * s) };
    assert_true(clock_line_find(points, count, &line));
    for (size_t i = 0; i < count; i++)
        sum_ns += clock_line_above_ns(&line, &points[i]);
    /* (0,10) (5,10.9) (9,12) */
    assert_int_equal(line.vertex_count, 3);
    published_check("lp-tiny", "slope", line.skew_ratio);
    published_check("lp-tiny", "intercept", clock_line_at_ns(&line, 0) / s);
    published_check("lp-tiny", "sum resid", sum_ns / s);
}

/* Root of the mean square of what the line makes of the queueing delay. */
static double error_ms(const char *file, const struct record *record,
                       const struct clock_line *line)
{
    struct values delays = published_column(file, 3);
    double sum = 0;

    for (size_t i = 0; i < record->count; i++)
        sum += pow(clock_line_above_ns(line, &record->points[i]) / 1e6
                       - (delays.items[i] - 180000) / 1e3,
                   2);
    values_clear(&delays);
    return sqrt(sum / (double) record->count);
}

static const struct {
    const char *file, *line, *error;
} records[] = {
    { "owd_skew_iid_synthetic.csv", "owd-iid-lp", "owd-iid-err" },
    { "owd_skew_ramp_synthetic.csv", "owd-ramp-lp", "owd-ramp-err" },
};

static void the_drift_of_a_record_is_found_below_its_queues(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(records) / sizeof(records[0]); i++) {
        struct record record = read_record(records[i].file, 1, 2, 1);
        struct clock_line line;

        assert_true(clock_line_find(record.points, record.count, &line));
        published_check(records[i].line, "hull vertices",
                        (double) line.vertex_count);
        published_check(records[i].line, "slope ppm", line.skew_ratio / ppm);
        published_check(records[i].line, "intercept s",
                        clock_line_at_ns(&line, 0) / s);
        published_check(records[i].error, "LP",
                        error_ms(records[i].file, &record, &line));
        assert_true(fabs(line.skew_ratio / ppm
                         - published_value(records[i].line, "true ppm"))
                    < 1);
        free(record.points);
    }
}

/* A computer that has been up for a year, against one set to another century:
 * no digit is lost. */
static void clocks_far_apart_have_the_same_line(void **state)
{
    struct record record = read_record(records[0].file, 1, 2, 1);
    struct clock_line near, far;

    (void) state;
    assert_true(clock_line_find(record.points, record.count, &near));
    for (size_t i = 0; i < record.count; i++) {
        record.points[i].at_ns += INT64_C(31536000000000000);
        record.points[i].apart_ns -= INT64_C(3155760000000000000);
    }
    assert_true(clock_line_find(record.points, record.count, &far));
    assert_true(near.skew_ratio == far.skew_ratio);
    assert_int_equal(near.vertex_count, far.vertex_count);
    assert_true(
        clock_line_above_ns(&far, &record.points[7])
        == clock_line_above_ns(
            &near,
            &(struct clock_point){
                record.points[7].at_ns - INT64_C(31536000000000000),
                record.points[7].apart_ns + INT64_C(3155760000000000000) }));
    free(record.points);
}

static void the_formulas_of_rfc_5905_give_offset_and_round_trip(void **state)
{
    static const struct {
        const char *name;
        struct four_stamps stamps;
    } cases[] = {
        { "ntp-formula1", { 1000, 11125, 11126, 1261 } },
        { "ntp-formula2", { 100000, 100230, 100240, 100410 } },
    };

    (void) state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        published_check(cases[i].name, "theta",
                        four_stamps_offset_ns(&cases[i].stamps) / 1e3);
        published_check(cases[i].name, "delta",
                        (double) four_stamps_trip_ns(&cases[i].stamps) / 1e3);
    }
}

#define NTP_FILE "ntp_exchanges_synthetic.csv"

static int ascending(const void *a, const void *b)
{
    return (*(const double *) a > *(const double *) b)
           - (*(const double *) a < *(const double *) b);
}

/* Of an even number: between the two in the middle. */
static double median(double *values, size_t count)
{
    qsort(values, count, sizeof(*values), ascending);
    return (values[(count - 1) / 2] + values[count / 2]) / 2;
}

static void a_series_of_four_stamps_has_its_quickest_exchange(void **state)
{
    struct values columns[4];
    double offsets[300];
    size_t least = 0;
    int64_t least_us = INT64_MAX;

    (void) state;
    for (int k = 0; k < 4; k++)
        columns[k] = published_column(NTP_FILE, k + 1);
    assert_int_equal(columns[0].count, 300);
    for (size_t i = 0; i < 300; i++) {
        const struct four_stamps stamps = { llround(columns[0].items[i]),
                                            llround(columns[1].items[i]),
                                            llround(columns[2].items[i]),
                                            llround(columns[3].items[i]) };

        offsets[i] = four_stamps_offset_ns(&stamps) / 1e6;
        if (i == 0)
            published_check("ntp-series", "delta[0]",
                            (double) four_stamps_trip_ns(&stamps) / 1e6);
        if (four_stamps_trip_ns(&stamps) < least_us) {
            least_us = four_stamps_trip_ns(&stamps);
            least = i;
        }
    }
    published_check("ntp-series", "theta[0]", offsets[0]);
    published_check("ntp-series", "min delta row", (double) least);
    published_check("ntp-series", "min delta", (double) least_us / 1e6);
    published_check("ntp-series", "theta there", offsets[least]);
    published_check("ntp-series", "median theta", median(offsets, 300));
    for (int k = 0; k < 4; k++)
        values_clear(&columns[k]);
}

static void lines_of_both_ways_give_drift_offset_and_least_delays(void **state)
{
    struct record there = read_record(NTP_FILE, 1, 2, 1);
    struct record back = read_record(NTP_FILE, 4, 4, 3);
    struct clock_line forward, reverse;
    struct clock_pair pair;

    (void) state;
    assert_true(clock_line_find(there.points, there.count, &forward));
    assert_true(clock_line_find(back.points, back.count, &reverse));
    const double at_start_s[] = { clock_line_at_ns(&forward, 0) / s,
                                  clock_line_at_ns(&reverse, 0) / s };

    published_check("ntp-lp", "fwd ppm", forward.skew_ratio / ppm);
    published_check("ntp-lp", "rev ppm", reverse.skew_ratio / ppm);
    published_check("ntp-lp", "theta(0)", (at_start_s[0] - at_start_s[1]) / 2);
    published_check("ntp-lp", "sum of minimum delays",
                    at_start_s[0] + at_start_s[1]);
    clock_pair_find(there.points, there.count, back.points, back.count, &pair);
    assert_true(pair.is_skew_shown);
    published_check("ntp-lp", "skew ppm", pair.skew_ratio / ppm);
    /* True: -12 ppm, and 0.18 s + 0.14 s. */
    assert_true(fabs(pair.skew_ratio / ppm + 12) < pair.drift_most_ratio / ppm);
    assert_true(fabs(clock_pair_least_sum_ns(&pair) / s - 0.32) < 0.0015);
    free(there.points);
    free(back.points);
}

/* Both ways wait for up to 23 ms, by clocks that run alike. */
static struct clock_pair short_record(struct draw *draw)
{
    enum {
        COUNT = 58
    };
    struct clock_point there[COUNT], back[COUNT];
    struct clock_pair pair;

    for (int64_t i = 0; i < COUNT; i++) {
        there[i].at_ns = back[i].at_ns = i * 250000000;
        there[i].apart_ns = (int64_t) (draw_unit(draw) * 23e6);
        back[i].apart_ns = (int64_t) (draw_unit(draw) * 23e6);
    }
    clock_pair_find(there, COUNT, back, COUNT, &pair);
    return pair;
}

static void short_records_of_clocks_alike_hardly_ever_show_a_drift(void **state)
{
    struct draw draw = { 20 };
    size_t shown_count = 0;

    (void) state;
    for (int i = 0; i < 1000; i++)
        shown_count += short_record(&draw).is_skew_shown;
    if (shown_count > 20)
        fail_msg("%zu of 1000 show one", shown_count);
}

/* A queue that grows one way and shrinks the other way. */
static void a_slope_that_no_clock_has_is_a_queues(void **state)
{
    enum {
        COUNT = 200
    };
    struct clock_point there[COUNT], back[COUNT];
    struct draw draw = { 21 };
    struct clock_pair pair;

    (void) state;
    for (int64_t i = 0; i < COUNT; i++) {
        const int64_t queue_ns = i * 250000000 / 300;

        there[i].at_ns = back[i].at_ns = i * 250000000;
        there[i].apart_ns = (int64_t) (draw_unit(&draw) * 1e6) + queue_ns;
        back[i].apart_ns = (int64_t) (draw_unit(&draw) * 1e6) - queue_ns;
    }
    clock_pair_find(there, COUNT, back, COUNT, &pair);
    assert_false(pair.is_skew_shown);
    assert_true(pair.skew_ratio == 0);
}

/* Delay variation, RFC 5481 section 4.2: each delay less the least of all; the
 * record's least stands on the level line.  -1: lost. */
#define LOST (-1)
static const struct {
    const char *figure;
    size_t count;
    int delays_ms[11], variations_ms[11];
} figures[] = {
    { "1", 5, { 20, 10, 20, 25, 20 }, { 10, 0, 10, 15, 10 } },
    { "2 A",
      11,
      { 100, 110, 120, 130, 140, 150, 140, 130, 120, 110, 100 },
      { 0, 10, 20, 30, 40, 50, 40, 30, 20, 10, 0 } },
    { "2 B",
      11,
      { 100, 110, 150, LOST, 120, 100, 110, 150, 130, 120, 100 },
      { 0, 10, 50, LOST, 20, 0, 10, 50, 30, 20, 0 } },
    { "3",
      9,
      { 3, LOST, 5, LOST, 4, LOST, 3, LOST, 4 },
      { 0, LOST, 2, LOST, 1, LOST, 0, LOST, 1 } },
    { "4",
      10,
      { 3, 4, LOST, LOST, LOST, LOST, LOST, 5, 4, 3 },
      { 0, 1, LOST, LOST, LOST, LOST, LOST, 2, 1, 0 } },
    { "5", 9, { 4, 4, 4, 4, 9, 9, 9, 9, 9 }, { 0, 0, 0, 0, 5, 5, 5, 5, 5 } },
    { "6",
      9,
      { 3, 4, 3, 3, LOST, LOST, 8, 9, 8 },
      { 0, 1, 0, 0, LOST, LOST, 5, 6, 5 } },
};

/* By clocks an hour apart, for the offset is no part of it. */
static void delay_variation_is_as_rfc_5481_draws_it(void **state)
{
    static const int64_t ms = 1000000;

    (void) state;
    for (size_t i = 0; i < sizeof(figures) / sizeof(figures[0]); i++) {
        struct clock_point points[11];
        struct clock_line line;
        size_t count = 0;

        for (size_t k = 0; k < figures[i].count; k++) {
            if (figures[i].delays_ms[k] != LOST)
                points[count++] =
                    (struct clock_point){ (int64_t) k * 20 * ms,
                                          3600000 * ms
                                              + figures[i].delays_ms[k] * ms };
        }
        clock_line_touch(points, count, 0, &line);
        count = 0;
        for (size_t k = 0; k < figures[i].count; k++) {
            if (figures[i].variations_ms[k] == LOST)
                continue;
            if (clock_line_above_ns(&line, &points[count++])
                != (double) (figures[i].variations_ms[k] * ms))
                fail_msg("RFC 5481 figure %s, packet %zu", figures[i].figure,
                         k + 1);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            the_smallest_example_has_the_line_of_the_linear_program),
        cmocka_unit_test(the_drift_of_a_record_is_found_below_its_queues),
        cmocka_unit_test(clocks_far_apart_have_the_same_line),
        cmocka_unit_test(delay_variation_is_as_rfc_5481_draws_it),
        cmocka_unit_test(the_formulas_of_rfc_5905_give_offset_and_round_trip),
        cmocka_unit_test(a_series_of_four_stamps_has_its_quickest_exchange),
        cmocka_unit_test(lines_of_both_ways_give_drift_offset_and_least_delays),
        cmocka_unit_test(
            short_records_of_clocks_alike_hardly_ever_show_a_drift),
        cmocka_unit_test(a_slope_that_no_clock_has_is_a_queues),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
