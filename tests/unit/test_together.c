/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/made_timing.h"
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

static const struct download_spec spec_22_s = { .for_ns = 22 * NS_PER_S,
                                                .connections = 1 };
static const struct ping_spec spec_echo = { .count = 40,
                                            .size_bytes = 56,
                                            .wait_ns = 10 * NS_PER_S };

/* What is not there has no value and no name. */
static const struct finding none = { .value = (double) NAN };

static const struct finding *find(const struct reduced_run *fixture,
                                  const char *measure, const char *from)
{
    const struct finding *finding = reduced_run_seek(
        fixture,
        &(struct reduced_wanted){ measure, NULL, from, REDUCED_ANY_ROUND });

    return finding ? finding : &none;
}

static void make_download(double goodput_bps, struct exchange_account *sender,
                          struct exchange_account *receiver)
{
    const struct made_download download = { .goodput_bps = goodput_bps,
                                            .cycle_ns = 174 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 3,
                                            .for_ns = 22 * NS_PER_S,
                                            .jitter_seed = 3 };

    made_sender(&download, sender);
    made_receiver(&download, receiver);
}

static void add_two_downloads(struct reduced_run *fixture, double there_bps,
                              double back_bps)
{
    struct exchange_account accounts[4];
    struct made_exchange both[2] = {
        { .kind = &download_kind,
          .round = 1,
          .plan_index = 1,
          .from = "mill",
          .to = "quay",
          .condition = "download quay > mill",
          .spec = &spec_22_s,
          .from_account = &accounts[0],
          .to_account = &accounts[1] },
        { .kind = &download_kind,
          .round = 1,
          .plan_index = 2,
          .from = "quay",
          .to = "mill",
          .condition = "download mill > quay",
          .spec = &spec_22_s,
          .from_account = &accounts[2],
          .to_account = &accounts[3] },
    };

    make_download(there_bps, &accounts[0], &accounts[1]);
    make_download(back_bps, &accounts[2], &accounts[3]);
    made_run_add_together(&fixture->made, both, COUNT_OF(both));
    for (size_t i = 0; i < COUNT_OF(accounts); i++)
        account_clear(&accounts[i]);
}

/* --- shares --------------------------------------------------------------- */

static void equal_shares_are_fair(void **state)
{
    struct reduced_run *fixture = *state;

    add_two_downloads(fixture, 18000, 18000);
    reduced_run_reduce(fixture);
    const struct finding *fairness = find(fixture, "fairness", NULL);
    const struct finding *total = find(fixture, "goodput_total", NULL);
    const struct finding *share = find(fixture, "share_goodput", "mill");

    assert_true(fairness != &none);
    assert_true(fairness->value > 0.99 && fairness->value <= 1.0000001);
    assert_true(fairness->low > 0.8 && fairness->low < fairness->value);
    assert_true(fabs(total->value - 36000) < 0.03 * 36000);
    assert_true(total->expected_high > total->expected_low);
    assert_true(share->value > 0.48 && share->value < 0.52);
    assert_true(fabs(share->expected_low - 0.5) < 0.02);
    assert_true(find(fixture, "share_airtime", "quay")->value > 0.4);
    assert_true(
        reduced_run_says(&fixture->reduction.methods, "all were active"));
}

/* Jain, Chiu and Hawe: (3 + 1)^2 / (2 (9 + 1)) = 0.8. */
static void three_to_one_is_a_fairness_of_four_fifths(void **state)
{
    struct reduced_run *fixture = *state;

    add_two_downloads(fixture, 27000, 9000);
    reduced_run_reduce(fixture);
    assert_true(fabs(find(fixture, "fairness", NULL)->value - 0.8) < 0.02);
    assert_true(fabs(find(fixture, "share_goodput", "mill")->value - 0.75)
                < 0.01);
}

/* --- times ---------------------------------------------------------------- */

static void add_echoes(struct reduced_run *fixture, uint64_t rtt_ms,
                       bool is_beside_download)
{
    struct exchange_account accounts[4];
    uint64_t rtts_ns[21];
    struct made_exchange both[2] = {
        { .kind = &ping_kind,
          .round = 1,
          .from = "quay",
          .to = "mill",
          .condition = is_beside_download ? "download mill > quay" : NULL,
          .spec = &spec_echo,
          .from_account = &accounts[0],
          .to_account = &accounts[1] },
        { .kind = &download_kind,
          .round = 1,
          .plan_index = 1,
          .from = "mill",
          .to = "quay",
          .condition = "ping quay > mill",
          .spec = &spec_22_s,
          .from_account = &accounts[2],
          .to_account = &accounts[3] },
    };

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = (rtt_ms + i % 5) * NS_PER_MS;
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &accounts[0]);
    made_answerer(&accounts[1]);
    make_download(30000, &accounts[2], &accounts[3]);
    made_run_add_together(&fixture->made, both, is_beside_download ? 2 : 1);
    for (size_t i = 0; i < COUNT_OF(accounts); i++)
        account_clear(&accounts[i]);
}

static void latency_under_load_is_a_multiple_of_idle(void **state)
{
    struct reduced_run *fixture = *state;

    add_echoes(fixture, 60, false);
    add_echoes(fixture, 600, true);
    reduced_run_reduce(fixture);
    const struct finding *loaded = find(fixture, "rtt_under_load_p50", NULL);
    const struct finding *ratio = find(fixture, "rtt_load_ratio", NULL);

    assert_true(loaded != &none);
    assert_true(fabs(loaded->value - 0.602) < 0.0015);
    assert_true(fabs(ratio->value - 602.0 / 62) < 0.3);
    assert_true(ratio->low < ratio->value && ratio->high > ratio->value);
    assert_true(find(fixture, "fairness", NULL) == &none);
}

static void without_an_idle_ping_there_is_no_multiple(void **state)
{
    struct reduced_run *fixture = *state;

    add_echoes(fixture, 600, true);
    reduced_run_reduce(fixture);
    const struct finding *ratio = find(fixture, "rtt_load_ratio", NULL);

    assert_true(isnan(ratio->value));
    assert_string_not_equal(ratio->why, "");
}

/* Stamped probes, alone or beside a download; loaded_ms: what the way back
 * takes. */
static void add_stamps(struct reduced_run *fixture, uint64_t loaded_ms,
                       bool is_beside_download)
{
    static const struct timing_spec spec = { .count = 40,
                                             .size_bytes = 112,
                                             .wait_ns = 10 * NS_PER_S };
    const struct made_timing timing = {
        .count = 40,
        .gap_ns = NS_PER_S / 2,
        .there = { .least_ns = 40 * NS_PER_MS, .spread_ns = 4 * NS_PER_MS },
        .back = { .least_ns = loaded_ms * NS_PER_MS },
        .offset_ns = -90 * (int64_t) NS_PER_S,
        .seed = 3,
    };
    struct exchange_account accounts[4];
    struct made_exchange both[2] = {
        { .kind = &timing_kind,
          .round = 1,
          .from = "quay",
          .to = "mill",
          .condition = is_beside_download ? "download mill > quay" : NULL,
          .spec = &spec,
          .from_account = &accounts[0],
          .to_account = &accounts[1] },
        { .kind = &download_kind,
          .round = 1,
          .plan_index = 1,
          .from = "mill",
          .to = "quay",
          .condition = "timing quay > mill",
          .spec = &spec_22_s,
          .from_account = &accounts[2],
          .to_account = &accounts[3] },
    };

    made_timing(&timing, &accounts[0], &accounts[1]);
    make_download(30000, &accounts[2], &accounts[3]);
    made_run_add_together(&fixture->made, both, is_beside_download ? 2 : 1);
    for (size_t i = 0; i < COUNT_OF(accounts); i++)
        account_clear(&accounts[i]);
}

static void stamped_probes_tell_latency_under_load_as_echoes_do(void **state)
{
    struct reduced_run *fixture = *state;

    add_stamps(fixture, 60, false);
    add_stamps(fixture, 960, true);
    reduced_run_reduce(fixture);
    const struct finding *loaded = find(fixture, "rtt_under_load_p50", NULL);
    const struct finding *ratio = find(fixture, "rtt_load_ratio", NULL);

    assert_string_equal(loaded->kind, "timing");
    assert_true(fabs(loaded->value - 1.002) < 0.0015);
    assert_true(fabs(ratio->value - 1002.0 / 102) < 0.3);
}

/* --- changes -------------------------------------------------------------- */

static void add_long_ping(struct reduced_run *fixture, size_t changes_at)
{
    uint64_t rtts_ns[200];
    struct draw draw = { 11 };
    struct exchange_account prober;
    struct exchange_account answerer;

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = (uint64_t) ((60 + 24 * draw_unit(&draw)
                                  + (i >= changes_at ? 40 : 0))
                                 * 1e6);
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_answerer(&answerer);
    reduced_run_add_ping(fixture, 0, 1, &spec_echo, &prober, &answerer);
}

static void a_change_is_found_with_its_time_and_size(void **state)
{
    struct reduced_run *fixture = *state;

    add_long_ping(fixture, 120);
    reduced_run_reduce(fixture);
    const struct finding *time = find(fixture, "change_time", NULL);
    const struct finding *ratio = find(fixture, "change_ratio", NULL);

    assert_true(time != &none);
    assert_true(fabs(time->value - 120) < 3);
    assert_true(ratio->low < 112.0 / 72 && ratio->high > 112.0 / 72);
    assert_true(reduced_run_says(&fixture->reduction.doubts, "changed"));
}

static void a_level_that_stays_has_no_change(void **state)
{
    struct reduced_run *fixture = *state;

    add_long_ping(fixture, 200);
    reduced_run_reduce(fixture);
    assert_true(find(fixture, "change_time", NULL) == &none);
}

/* The rounds of a download, of which those from the one named on carry more. */
static void add_repeats(struct reduced_run *fixture, uint64_t more_from)
{
    for (uint64_t round = 1; round <= 20; round++) {
        struct exchange_account sender;
        struct exchange_account receiver;

        make_download((round < more_from ? 18000 : 24000)
                          + 50 * (double) (round * 7 % 11),
                      &sender, &receiver);
        reduced_run_add_download(fixture, 0, round, &spec_22_s, &sender,
                                 &receiver);
    }
}

static void a_change_over_repeats_is_found_with_its_time_and_size(void **state)
{
    struct reduced_run *fixture = *state;

    add_repeats(fixture, 13);
    reduced_run_reduce(fixture);
    const struct finding *time = find(fixture, "change_time", NULL);
    const struct finding *ratio = find(fixture, "change_ratio", NULL);

    /* One made run's group begins every 30 s, the first after 30 s. */
    assert_true(fabs(time->value - 13 * 30) < 1e-6);
    assert_int_equal(time->round, 0);
    assert_true(ratio->low < 24250.0 / 18250 && ratio->high > 24250.0 / 18250);
    assert_true(reduced_run_says(&fixture->reduction.doubts,
                                 "From repeat 13 of 20 on"));
}

static void repeats_alike_have_no_change(void **state)
{
    struct reduced_run *fixture = *state;

    add_repeats(fixture, 21);
    reduced_run_reduce(fixture);
    assert_true(find(fixture, "change_time", NULL) == &none);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name)                                                             \
    cmocka_unit_test_setup_teardown(name, reduced_run_set_up,                  \
                                    reduced_run_tear_down)
        TEST(equal_shares_are_fair),
        TEST(three_to_one_is_a_fairness_of_four_fifths),
        TEST(latency_under_load_is_a_multiple_of_idle),
        TEST(without_an_idle_ping_there_is_no_multiple),
        TEST(stamped_probes_tell_latency_under_load_as_echoes_do),
        TEST(a_change_is_found_with_its_time_and_size),
        TEST(a_level_that_stays_has_no_change),
        TEST(a_change_over_repeats_is_found_with_its_time_and_size),
        TEST(repeats_alike_have_no_change),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
