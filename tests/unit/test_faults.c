/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/faults.h"
#include "tests/support/chances.h"

#include <bothends/fields.h>
#include <bothends/units.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/*
 * What is drawn against what was asked for.  The chain of two states: E. N.
 * Gilbert, "Capacity of a burst-noise channel", Bell System Technical Journal
 * 39 (1960); a run of lost frames is a "loss period" and a gap a "loss
 * distance" less one in RFC 3357.
 */

enum {
    FRAME_COUNT = 200000
};

#define BEGAN_NS UINT64_C(7777777777) /* the air's clock has run before */

static struct faults *faults_of(struct faults_config config, uint64_t seed)
{
    return faults_new(3, seed, BEGAN_NS, &config);
}

static struct faults_config lossy(double ratio, double burst)
{
    struct faults_config config = faults_none;

    config.loss_ratio = ratio;
    config.loss_burst = burst;
    return config;
}

/* Draws FRAME_COUNT frames of one direction; complete runs only. */
static uint64_t draw_runs(struct faults *faults, struct lengths *runs,
                          struct lengths *gaps)
{
    uint64_t lost_count = 0, length = 0;
    bool was_lost = false, has_edge = false;

    for (size_t i = 0; i < FRAME_COUNT; i++) {
        const bool is_lost = faults_frame(faults, 0, 1, BEGAN_NS) == FRAME_LOST;

        lost_count += is_lost;
        if (i > 0 && is_lost != was_lost) {
            if (has_edge)
                lengths_add(was_lost ? runs : gaps, length);
            has_edge = true;
            length = 0;
        }
        length++;
        was_lost = is_lost;
    }
    return lost_count;
}

static void nothing_goes_wrong_unless_asked_for(void **state)
{
    struct faults *faults = faults_of(faults_none, 1);

    (void) state;
    for (size_t i = 0; i < 10000; i++) {
        const struct faults_packet packet = faults_packet(faults, 0, 1);

        assert_int_equal(faults_frame(faults, 0, 1, BEGAN_NS + i * NS_PER_MS),
                         FRAME_HEARD);
        assert_int_equal(packet.copies_count, 1);
        assert_false(packet.is_corrupted);
        assert_true(packet.held_ns == 0);
    }
    faults_free(faults);
}

static void each_frame_is_lost_by_itself_as_often_as_asked(void **state)
{
    static const double ratios[] = { 0.01, 0.03, 0.1, 0.3, 0.5, 0.9 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(ratios); i++) {
        struct faults *faults = faults_of(lossy(ratios[i], (double) NAN), i);
        struct lengths runs = { 0 }, gaps = { 0 };

        assert_hits(draw_runs(faults, &runs, &gaps), FRAME_COUNT, ratios[i]);
        assert_geometric(&runs, 1 / (1 - ratios[i]));
        assert_geometric(&gaps, 1 / ratios[i]);
        faults_free(faults);
    }
}

/* Dependent trials: the variance of their mean is that of independent ones
 * times (1 + r) / (1 - r), r the chain's second eigenvalue. */
static void assert_chain_ratio(uint64_t lost_count, double p, double b)
{
    const double r = 1 - 1 / b - p / (b * (1 - p));
    const double deviation =
        sqrt(FRAME_COUNT * p * (1 - p) * (1 + r) / (1 - r));

    assert_true(fabs((double) lost_count - FRAME_COUNT * p) < 5 * deviation);
}

static void
bursts_have_the_ratio_and_the_run_lengths_of_gilberts_chain(void **state)
{
    static const struct {
        double ratio, burst;
    } cases[] = { { 0.02, 4 }, { 0.1, 1 }, { 0.1, 2.5 },
                  { 0.3, 8 },  { 0.6, 3 }, { 0.05, 20 } };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const double p = cases[i].ratio, b = cases[i].burst;
        struct faults *faults = faults_of(lossy(p, b), 100 + i);
        struct lengths runs = { 0 }, gaps = { 0 };

        assert_chain_ratio(draw_runs(faults, &runs, &gaps), p, b);
        if (b > 1)
            assert_geometric(&runs, b);
        else
            assert_true(runs.sum == runs.run_count);
        assert_geometric(&gaps, b * (1 - p) / p);
        faults_free(faults);
    }
}

static void the_most_loss_that_runs_allow_leaves_gaps_of_one_frame(void **state)
{
    const double b = 3;
    const struct faults_config long_runs = lossy(0, b);
    struct faults *faults =
        faults_of(lossy(faults_most_loss_ratio(&long_runs), b), 5);
    struct lengths runs = { 0 }, gaps = { 0 };

    (void) state;
    assert_chain_ratio(draw_runs(faults, &runs, &gaps), b / (b + 1), b);
    assert_true(gaps.run_count > 1000 && gaps.sum == gaps.run_count);
    assert_true(faults_most_loss_ratio(&faults_none) >= 1);
    faults_free(faults);
}

static void a_new_chain_finds_its_first_frame_lost_as_often_as_any(void **state)
{
    enum {
        CHAIN_COUNT = 20000
    };
    uint64_t lost_count = 0;

    (void) state;
    for (uint64_t seed = 1; seed <= CHAIN_COUNT; seed++) {
        struct faults *faults = faults_of(lossy(0.2, 50), seed);

        lost_count += faults_frame(faults, 2, 1, BEGAN_NS) == FRAME_LOST;
        faults_free(faults);
    }
    assert_hits(lost_count, CHAIN_COUNT, 0.2);
}

static void a_chain_whose_loss_changes_begins_anew(void **state)
{
    const struct faults_config before = lossy(0.999, 1000);
    const struct faults_config after = lossy(0, 1000);
    const struct faults_config then = lossy(0.5, 1000);
    uint64_t lost_count = 0, then_count = 0;

    (void) state;
    for (uint64_t seed = 1; seed <= 1000; seed++) {
        struct faults *faults = faults_of(before, seed);

        lost_count += faults_frame(faults, 0, 1, BEGAN_NS) == FRAME_LOST;
        faults_set(faults, 0, 1, &before); /* the same: it goes on */
        lost_count += faults_frame(faults, 0, 1, BEGAN_NS) == FRAME_LOST;
        faults_set(faults, 0, 1, &after);
        assert_int_equal(faults_frame(faults, 0, 1, BEGAN_NS), FRAME_HEARD);
        faults_set(faults, 0, 1, &then);
        then_count += faults_frame(faults, 0, 1, BEGAN_NS) == FRAME_LOST;
        faults_free(faults);
    }
    assert_hits(lost_count, 2000, 0.999);
    assert_hits(then_count, 1000, 0.5);
}

static void all_is_lost_when_everything_is_to_be(void **state)
{
    struct faults *faults = faults_of(lossy(1, (double) NAN), 3);

    (void) state;
    for (size_t i = 0; i < 10000; i++)
        assert_int_equal(faults_frame(faults, 1, 0, BEGAN_NS), FRAME_LOST);
    faults_free(faults);
}

static void
packets_are_hit_as_often_as_asked_and_by_each_thing_alone(void **state)
{
    struct faults_config config = faults_none;
    uint64_t kinds[8] = { 0 };
    double expected[8];

    (void) state;
    config.duplicates_ratio = 0.2;
    config.reordering_ratio = 0.3;
    config.reordering_by_ns = 40 * NS_PER_MS;
    config.corruption_ratio = 0.1;
    struct faults *faults = faults_of(config, 11);
    for (size_t i = 0; i < FRAME_COUNT; i++) {
        const struct faults_packet packet = faults_packet(faults, 1, 2);

        assert_true(packet.held_ns == 0
                    || packet.held_ns == config.reordering_by_ns);
        kinds[(packet.copies_count == 2) + 2 * (packet.held_ns > 0)
              + 4 * packet.is_corrupted]++;
    }
    for (size_t i = 0; i < 8; i++)
        expected[i] = FRAME_COUNT * (i & 1 ? 0.2 : 0.8) * (i & 2 ? 0.3 : 0.7)
                      * (i & 4 ? 0.1 : 0.9);
    assert_fits(kinds, expected, 8);
    assert_hits(kinds[1] + kinds[3] + kinds[5] + kinds[7], FRAME_COUNT, 0.2);
    faults_free(faults);
}

/* Losses by eighth of the period against the integral of the chance there. */
static void fading_follows_its_curve_over_the_period(void **state)
{
    enum {
        PART_COUNT = 8
    };
    const double turn = 2 * acos(-1.0), worst = 0.4;
    struct faults_config config = faults_none;
    uint64_t parts[2 * PART_COUNT] = { 0 }, lost_count = 0;
    double expected[2 * PART_COUNT];

    (void) state;
    config.fading_ratio = worst;
    config.fading_period_ns = 10 * NS_PER_S;
    struct faults *faults = faults_of(config, 21);
    for (uint64_t i = 0; i < FRAME_COUNT; i++) { /* 200 periods */
        const bool is_lost =
            faults_frame(faults, 0, 1, BEGAN_NS + i * 10 * NS_PER_MS)
            == FRAME_LOST;

        lost_count += is_lost;
        parts[2 * (i % 1000 / 125) + is_lost]++;
    }
    for (size_t i = 0; i < PART_COUNT; i++) {
        const double a = turn * (double) i / PART_COUNT;
        const double b = turn * (double) (i + 1) / PART_COUNT;
        const double chance =
            worst * (1 - (sin(b) - sin(a)) * PART_COUNT / turn) / 2;

        expected[2 * i] = FRAME_COUNT * (1 - chance) / PART_COUNT;
        expected[2 * i + 1] = FRAME_COUNT * chance / PART_COUNT;
    }
    assert_fits(parts, expected, COUNT_OF(parts));
    assert_hits(lost_count, FRAME_COUNT, worst / 2);
    faults_free(faults);
}

static void
fading_is_nothing_at_first_and_worst_after_half_a_period(void **state)
{
    struct faults_config config = faults_none;
    uint64_t lost_count = 0;

    (void) state;
    config.fading_ratio = 0.7;
    config.fading_period_ns = 4 * NS_PER_S;
    struct faults *faults = faults_of(config, 22);
    for (uint64_t i = 0; i < 20000; i++) {
        const uint64_t period_ns = BEGAN_NS + i * 4 * NS_PER_S;

        assert_int_equal(faults_frame(faults, 0, 1, period_ns), FRAME_HEARD);
        lost_count +=
            faults_frame(faults, 0, 1, period_ns + 2 * NS_PER_S) == FRAME_LOST;
    }
    assert_hits(lost_count, 20000, 0.7);
    faults_free(faults);
}

/* What befalls the next 1000 frames and packets of a direction. */
struct record {
    enum faults_frame frames[1000];
    struct faults_packet packets[1000];
};

static void record(struct faults *faults, size_t from, size_t to,
                   struct record *ret_record)
{
    (void) memset(ret_record, 0, sizeof(*ret_record));
    for (size_t i = 0; i < 1000; i++) {
        ret_record->frames[i] = faults_frame(faults, from, to, BEGAN_NS);
        ret_record->packets[i] = faults_packet(faults, from, to);
    }
}

static bool records_match(const struct record *a, const struct record *b)
{
    for (size_t i = 0; i < 1000; i++)
        if (a->frames[i] != b->frames[i]
            || a->packets[i].copies_count != b->packets[i].copies_count
            || a->packets[i].held_ns != b->packets[i].held_ns
            || a->packets[i].is_corrupted != b->packets[i].is_corrupted)
            return false;
    return true;
}

static struct faults_config all_sorts(void)
{
    struct faults_config config = lossy(0.2, 3);

    config.duplicates_ratio = 0.2;
    config.reordering_ratio = 0.2;
    config.reordering_by_ns = NS_PER_MS;
    config.corruption_ratio = 0.2;
    return config;
}

static void the_same_seed_draws_the_same_and_another_seed_does_not(void **state)
{
    static const uint64_t seeds[] = { 1, 1, 2 };
    static struct record records[3];

    (void) state;
    for (size_t i = 0; i < 3; i++) {
        struct faults *faults = faults_of(all_sorts(), seeds[i]);

        record(faults, 0, 1, &records[i]);
        faults_free(faults);
    }
    assert_true(records_match(&records[0], &records[1]));
    assert_false(records_match(&records[0], &records[2]));
}

static void
a_change_in_one_direction_leaves_the_others_draws_as_they_were(void **state)
{
    static struct record before, after, other;
    struct faults *faults = faults_of(all_sorts(), 31);

    (void) state;
    record(faults, 0, 1, &before);
    faults_free(faults);
    faults = faults_of(all_sorts(), 31);
    faults_set(faults, 1, 0, &faults_none);
    record(faults, 1, 0, &other);
    record(faults, 0, 2, &other);
    record(faults, 0, 1, &after);
    faults_free(faults);
    assert_true(records_match(&before, &after));
    assert_false(records_match(&before, &other));
}

static void a_change_of_one_setting_leaves_what_the_others_draw(void **state)
{
    static struct record before, after;
    struct faults_config config = all_sorts();
    struct faults *faults = faults_of(config, 41);

    (void) state;
    record(faults, 0, 1, &before);
    faults_free(faults);
    config.duplicates_ratio = config.fading_ratio = 0;
    faults = faults_of(config, 41);
    record(faults, 0, 1, &after);
    faults_free(faults);
    for (size_t i = 0; i < 1000; i++)
        before.packets[i].copies_count = 1;
    assert_true(records_match(&before, &after));
}

static void
an_outage_lets_nothing_through_and_the_chain_goes_on_under_it(void **state)
{
    static struct record before, during, after;
    struct faults_config config = all_sorts();
    struct faults *faults = faults_of(config, 51);

    (void) state;
    record(faults, 0, 1, &before);
    record(faults, 0, 1, &before);
    faults_free(faults);
    faults = faults_of(config, 51);
    config.is_out = true;
    faults_set(faults, 0, 1, &config);
    record(faults, 0, 1, &during);
    for (size_t i = 0; i < 1000; i++)
        assert_int_equal(during.frames[i], FRAME_OUT);
    assert_true(faults_get(faults, 0, 1)->is_out);
    assert_false(faults_get(faults, 1, 0)->is_out);
    config.is_out = false;
    faults_set(faults, 0, 1, &config);
    record(faults, 0, 1, &after);
    faults_free(faults);
    assert_true(records_match(&before, &after));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_goes_wrong_unless_asked_for),
        cmocka_unit_test(each_frame_is_lost_by_itself_as_often_as_asked),
        cmocka_unit_test(
            bursts_have_the_ratio_and_the_run_lengths_of_gilberts_chain),
        cmocka_unit_test(
            the_most_loss_that_runs_allow_leaves_gaps_of_one_frame),
        cmocka_unit_test(
            a_new_chain_finds_its_first_frame_lost_as_often_as_any),
        cmocka_unit_test(a_chain_whose_loss_changes_begins_anew),
        cmocka_unit_test(all_is_lost_when_everything_is_to_be),
        cmocka_unit_test(
            packets_are_hit_as_often_as_asked_and_by_each_thing_alone),
        cmocka_unit_test(fading_follows_its_curve_over_the_period),
        cmocka_unit_test(
            fading_is_nothing_at_first_and_worst_after_half_a_period),
        cmocka_unit_test(
            the_same_seed_draws_the_same_and_another_seed_does_not),
        cmocka_unit_test(
            a_change_in_one_direction_leaves_the_others_draws_as_they_were),
        cmocka_unit_test(a_change_of_one_setting_leaves_what_the_others_draw),
        cmocka_unit_test(
            an_outage_lets_nothing_through_and_the_chain_goes_on_under_it),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
