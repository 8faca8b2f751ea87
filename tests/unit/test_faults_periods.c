/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/faults.h"
#include "tests/support/chances.h"

#include <bothends/fields.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/*
 * Bad periods in which a part is lost, and loss between them: E. O. Elliott,
 * "Estimates of error rates for codes on burst-noise channels", Bell System
 * Technical Journal 42 (1963).  Every chance here is that of the Markov chain
 * with two states, worked out with its matrix: good is state 0, bad 1.
 */

enum {
    FRAME_COUNT = 200000,
    CHAIN_COUNT = 20000
};

/* What is asked for: loss of all, mean bad period, loss in it and between. */
struct asked {
    double p, b, h, k;
};

static const struct asked cases[] = {
    { 0.05, 20, 0.6, 0.01 }, { 0.02, 8, 0.5, 0 },    { 0.3, 3, 0.9, 0.2 },
    { 0.5, 1, 1, 0.25 },     { 0.1, 50, 0.8, 0.03 }, { 0.2, 4, 1, 0 },
};

static struct faults *faults_of(const struct asked *asked, uint64_t seed)
{
    struct faults_config config = faults_none;

    config.loss_ratio = asked->p;
    config.loss_burst = asked->b;
    config.loss_within_ratio = asked->h;
    config.loss_between_ratio = asked->k;
    return faults_new(2, seed, 0, &config);
}

static bool is_next_lost(struct faults *faults)
{
    return faults_frame(faults, 0, 1, 0) == FRAME_LOST;
}

/* --- the theory ----------------------------------------------------------- */

static double bad_share(const struct asked *asked)
{
    return (asked->p - asked->k) / (asked->h - asked->k);
}

/* The chain's second eigenvalue: what is left of a state after a frame. */
static double memory(const struct asked *asked)
{
    const double bad = bad_share(asked);

    return 1 - 1 / asked->b - bad / (asked->b * (1 - bad));
}

/* Chances of both states, jointly with what was seen so far. */
struct states {
    double good, bad;
};

static struct states at_first(const struct asked *asked)
{
    return (struct states){ 1 - bad_share(asked), bad_share(asked) };
}

static struct states after_a_frame(const struct asked *asked,
                                   struct states states)
{
    const double bad = bad_share(asked);
    const double to_bad = bad / (asked->b * (1 - bad)), to_good = 1 / asked->b;

    return (struct states){
        states.good * (1 - to_bad) + states.bad * to_good,
        states.good * to_bad + states.bad * (1 - to_good),
    };
}

static struct states seen(const struct asked *asked, struct states states,
                          bool is_lost)
{
    states.good *= is_lost ? asked->k : 1 - asked->k;
    states.bad *= is_lost ? asked->h : 1 - asked->h;
    return states;
}

/* --- against it ----------------------------------------------------------- */

/* Of N dependent trials: the variance of their mean is p (1 - p) / N and twice
 * the sum of the covariances (h - k)^2 q (1 - q) r^n, n = 1, 2, ... */
static void as_much_is_lost_in_all_as_asked(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const struct asked *asked = &cases[i];
        const double bad = bad_share(asked), r = memory(asked);
        const double apart =
            (asked->h - asked->k) * (asked->h - asked->k) * bad * (1 - bad);
        const double variance =
            asked->p * (1 - asked->p) + 2 * apart * r / (1 - r);
        struct faults *faults = faults_of(asked, 200 + i);
        double lost_count = 0;

        for (size_t j = 0; j < FRAME_COUNT; j++)
            lost_count += is_next_lost(faults);
        print_message("%.5f lost, asked for %g\n", lost_count / FRAME_COUNT,
                      asked->p);
        assert_true(fabs(lost_count - FRAME_COUNT * asked->p)
                    < 5 * sqrt(FRAME_COUNT * variance));
        faults_free(faults);
    }
}

/* Which of five frames of a new chain are lost, some of them far apart. */
static void frames_are_lost_together_as_often_as_the_chain_has_it(void **state)
{
    static const unsigned looked_at[] = { 0, 1, 2, 5, 20 };
    enum {
        PATTERN_COUNT = 1 << COUNT_OF(looked_at)
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        uint64_t counts[PATTERN_COUNT] = { 0 };
        double expected[PATTERN_COUNT];

        for (unsigned pattern = 0; pattern < PATTERN_COUNT; pattern++) {
            struct states now = at_first(&cases[i]);
            unsigned frame = 0;

            for (size_t j = 0; j < COUNT_OF(looked_at); j++) {
                for (; frame < looked_at[j]; frame++)
                    now = after_a_frame(&cases[i], now);
                now = seen(&cases[i], now, pattern >> j & 1);
            }
            expected[pattern] = CHAIN_COUNT * (now.good + now.bad);
        }
        for (uint64_t seed = 1; seed <= CHAIN_COUNT; seed++) {
            struct faults *faults = faults_of(&cases[i], seed);
            unsigned pattern = 0, frame = 0;

            for (size_t j = 0; j < COUNT_OF(looked_at); j++) {
                for (; frame < looked_at[j]; frame++)
                    (void) is_next_lost(faults);
                pattern |= (unsigned) is_next_lost(faults) << j;
                frame++;
            }
            counts[pattern]++;
            faults_free(faults);
        }
        assert_fits(counts, expected, PATTERN_COUNT);
    }
}

/* The correlation of two frames that lie n apart: covariance (h - k)^2 q
 * (1 - q) r^n, from the mean of 200 chains and how they differ. */
static void two_frames_are_alike_by_how_far_they_are_apart(void **state)
{
    enum {
        LENGTH = 4000,
        SERIES_COUNT = 200
    };
    static const size_t lags[] = { 1, 3, 10, 40 };
    static bool lost[LENGTH];

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases) * COUNT_OF(lags); i++) {
        const struct asked *asked = &cases[i / COUNT_OF(lags)];
        const size_t lag = lags[i % COUNT_OF(lags)];
        const double bad = bad_share(asked), apart = asked->h - asked->k;
        const double both = asked->p * asked->p
                            + apart * apart * bad * (1 - bad)
                                  * pow(memory(asked), (double) lag);
        double sum = 0, squares = 0;

        for (uint64_t series = 0; series < SERIES_COUNT; series++) {
            struct faults *faults = faults_of(asked, 1000 + series);
            double both_count = 0;

            for (size_t j = 0; j < LENGTH; j++) {
                lost[j] = is_next_lost(faults);
                both_count += j >= lag && lost[j] && lost[j - lag];
            }
            both_count /= (double) (LENGTH - lag);
            sum += both_count;
            squares += both_count * both_count;
            faults_free(faults);
        }
        const double mean = sum / SERIES_COUNT;
        const double error =
            sqrt((squares / SERIES_COUNT - mean * mean) / (SERIES_COUNT - 1));

        print_message("%zu apart: both lost %.6f +- %.6f, theory %.6f\n", lag,
                      mean, error, both);
        assert_true(error > 0 && fabs(mean - both) < 5 * error);
    }
}

/* Of chains that begin with a frame heard, the first run of lost ones. */
static void runs_of_lost_frames_are_as_long_as_the_chain_has_it(void **state)
{
    enum {
        CLASS_COUNT = 4 /* 1, 2, 3, and more */
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        uint64_t counts[CLASS_COUNT] = { 0 };
        double expected[CLASS_COUNT] = { 0 }, run_count = 0, left = 0;
        struct states now = seen(&cases[i], at_first(&cases[i]), false);
        struct states run = { 0 };

        /* Those that have just begun their run, after any gap. */
        for (const double all = now.good + now.bad; now.good + now.bad > 1e-12;
             now = seen(&cases[i], now, false)) {
            now = after_a_frame(&cases[i], now);
            const struct states begun = seen(&cases[i], now, true);

            run.good += begun.good / all;
            run.bad += begun.bad / all;
        }
        for (uint64_t seed = 1; seed <= CHAIN_COUNT; seed++) {
            struct faults *faults = faults_of(&cases[i], 50000 + seed);
            size_t length = 0;

            if (!is_next_lost(faults)) {
                while (!is_next_lost(faults))
                    continue;
                while (is_next_lost(faults))
                    length++;
                counts[length < CLASS_COUNT ? length : CLASS_COUNT - 1]++;
                run_count++;
            }
            faults_free(faults);
        }
        for (size_t j = 0; j + 1 < CLASS_COUNT; j++) {
            const struct states next = after_a_frame(&cases[i], run);
            const struct states over = seen(&cases[i], next, false);

            expected[j] = run_count * (over.good + over.bad);
            run = seen(&cases[i], next, true);
            left = run.good + run.bad;
        }
        expected[CLASS_COUNT - 1] = run_count * left;
        assert_fits(counts, expected, CLASS_COUNT);
    }
}

/* One seed has its bad periods where they are, whatever is lost in them. */
static void
the_shares_asked_for_are_lost_within_bad_periods_and_between(void **state)
{
    const double bad = 0.2;
    const struct asked all = { bad, 10, 1, 0 };
    const struct asked part = { 0.7 * bad + 0.04 * (1 - bad), 10, 0.7, 0.04 };
    struct faults *periods = faults_of(&all, 77);
    struct faults *faults = faults_of(&part, 77);
    uint64_t bad_count = 0, within_count = 0, between_count = 0;

    (void) state;
    for (size_t i = 0; i < FRAME_COUNT; i++) {
        const bool is_bad = is_next_lost(periods);
        const bool is_lost = is_next_lost(faults);

        bad_count += is_bad;
        within_count += is_bad && is_lost;
        between_count += !is_bad && is_lost;
    }
    assert_hits(within_count, bad_count, 0.7);
    assert_hits(between_count, FRAME_COUNT - bad_count, 0.04);
    faults_free(periods);
    faults_free(faults);
}

static void
the_most_loss_leaves_one_good_frame_between_bad_periods(void **state)
{
    struct faults_config config = faults_none;

    (void) state;
    config.loss_burst = 3;
    config.loss_within_ratio = 0.9;
    config.loss_between_ratio = 0.1;
    assert_true(fabs(faults_most_loss_ratio(&config) - 0.7) < 1e-12);

    /* All within, nothing between: the gaps are the good periods. */
    const struct asked most = { 0.75, 3, 1, 0 };
    struct faults *faults = faults_of(&most, 6);
    bool was_lost = true;
    for (size_t i = 0; i < 10000; i++) {
        const bool is_lost = is_next_lost(faults);

        assert_true(is_lost || was_lost);
        was_lost = is_lost;
    }
    faults_free(faults);
}

static void shares_that_hardly_differ_are_one_chance_of_loss(void **state)
{
    const double h = nextafter(0.5, 1);
    const struct asked asked = { h, 3, h, 0.5 };
    struct faults *faults = faults_of(&asked, 9);
    uint64_t lost_count = 0;

    (void) state;
    for (size_t i = 0; i < FRAME_COUNT; i++)
        lost_count += is_next_lost(faults);
    assert_hits(lost_count, FRAME_COUNT, 0.5);
    faults_free(faults);
}

/* Then each frame is lost by itself, and there are no periods. */
static void without_a_burst_the_shares_do_not_matter(void **state)
{
    const struct asked plain = { 0.2, (double) NAN, 1, 0 };
    const struct asked shares = { 0.2, (double) NAN, 0.5, 0.1 };
    struct faults *one = faults_of(&plain, 8), *other = faults_of(&shares, 8);

    (void) state;
    for (size_t i = 0; i < 10000; i++)
        assert_int_equal(is_next_lost(one), is_next_lost(other));
    faults_free(one);
    faults_free(other);
}

/* A digest (FNV-1a, 64 bits) of what a seed drew on 24 November 2026, before
 * bad periods could lose a part: plans of old go on to give what they gave. */
static void a_seed_gives_what_it_has_always_given(void **state)
{
    struct faults_config config = faults_none;
    uint64_t digest = UINT64_C(0xcbf29ce484222325);

    (void) state;
    config.loss_ratio = config.duplicates_ratio = 0.2;
    config.reordering_ratio = config.corruption_ratio = 0.2;
    config.loss_burst = 3;
    config.fading_ratio = 0.1;
    config.reordering_by_ns = 1000000;
    struct faults *faults = faults_new(3, 61, UINT64_C(7777777777), &config);
    for (uint64_t i = 0; i < 9000; i++) {
        const size_t from = i % 9 / 3, to = i % 3;

        if (i == 4500) {
            config.loss_burst = (double) NAN;
            faults_set(faults, 0, 1, &config);
        }
        if (from == to)
            continue;
        const enum faults_frame frame = faults_frame(
            faults, from, to, UINT64_C(7777777777) + i / 9 * 100000000);
        const struct faults_packet packet = faults_packet(faults, from, to);

        digest ^= (unsigned) frame + 4 * packet.copies_count
                  + 16U * packet.is_corrupted + 32U * (packet.held_ns > 0);
        digest *= UINT64_C(0x100000001b3);
    }
    assert_true(digest == UINT64_C(0x4276f42080ca1789));
    faults_free(faults);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(as_much_is_lost_in_all_as_asked),
        cmocka_unit_test(frames_are_lost_together_as_often_as_the_chain_has_it),
        cmocka_unit_test(two_frames_are_alike_by_how_far_they_are_apart),
        cmocka_unit_test(runs_of_lost_frames_are_as_long_as_the_chain_has_it),
        cmocka_unit_test(
            the_shares_asked_for_are_lost_within_bad_periods_and_between),
        cmocka_unit_test(
            the_most_loss_leaves_one_good_frame_between_bad_periods),
        cmocka_unit_test(shares_that_hardly_differ_are_one_chance_of_loss),
        cmocka_unit_test(without_a_burst_the_shares_do_not_matter),
        cmocka_unit_test(a_seed_gives_what_it_has_always_given),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
