/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"
#include "reports/report.h"
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

/* --- what the runs are made of -------------------------------------------- */

static const struct download_spec spec_22_s = { .for_ns = 22 * NS_PER_S,
                                                .connections = 1 };
static const struct ping_spec spec_echo = { .count = 40,
                                            .size_bytes = 56,
                                            .wait_ns = 10 * NS_PER_S };

static struct made_download steady_download(double goodput_bps)
{
    return (struct made_download){ .goodput_bps = goodput_bps,
                                   .cycle_ns = 174 * NS_PER_MS,
                                   .slot_ns = 138 * NS_PER_MS,
                                   .segments_a_cycle = 3,
                                   .for_ns = 22 * NS_PER_S };
}

static void add_download(struct reduced_run *fixture, size_t step,
                         uint64_t round, const struct made_download *download)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(download, &sender);
    made_receiver(download, &receiver);
    reduced_run_add_download(fixture, step, round, &spec_22_s, &sender,
                             &receiver);
}

static void add_ping(struct reduced_run *fixture, const uint64_t *rtts_ns,
                     size_t count, uint64_t round)
{
    struct exchange_account prober;
    struct exchange_account answerer;

    made_prober(rtts_ns, count, &prober);
    made_answerer(&answerer);
    reduced_run_add_ping(fixture, 0, round, &spec_echo, &prober, &answerer);
}

static void assert_close(double value, double expected, double tolerance)
{
    if (!(fabs(value - expected) <= tolerance * fabs(expected)))
        fail_msg("found %.9g, expected %.9g", value, expected);
}

/* --- downloads ------------------------------------------------------------ */

/* 22 s of data, fed for a minute at the most. */
static size_t gaps_of_until(struct reduced_run *fixture,
                            enum looks_end ended_by)
{
    static const struct download_spec spec = { .within_ratio = 0.05,
                                               .at_most_ns = 60 * NS_PER_S,
                                               .connections = 1 };
    const struct made_download download = steady_download(37000);
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    ((struct download_outcome *) receiver.outcome.bytes)->looks.ended_by =
        (int) ended_by;
    reduced_run_add_download(fixture, 0, 1, &spec, &sender, &receiver);
    reduced_run_reduce(fixture);
    const struct curve *curve = rows_at(&fixture->reduction.curves, 0);

    assert_int_equal(fixture->reduction.curves.count, 1);
    return curve->gaps.count;
}

static void what_ended_when_it_was_known_has_no_silence_behind_it(void **state)
{
    assert_int_equal(gaps_of_until(*state, LOOKS_WITHIN), 0);
}

static void what_fell_silent_before_it_was_known_has_one(void **state)
{
    assert_int_equal(gaps_of_until(*state, LOOKS_TIME_OVER), 1);
}

static void a_constant_rate_is_found_as_it_is(void **state)
{
    struct reduced_run *fixture = *state;
    const struct made_download download = steady_download(37000);

    add_download(fixture, 0, 1, &download);
    reduced_run_reduce(fixture);
    const struct finding *steady =
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1);
    const struct finding *whole =
        reduced_run_find_of(fixture, "goodput_whole", "calm", 1);

    assert_close(steady->value, 37000, 0.002);
    assert_true(steady->low <= 37000 * 1.001 && steady->high >= 37000 * 0.999);
    assert_true(steady->high - steady->low < 0.02 * 37000);
    assert_true(steady->samples_count >= 100);
    assert_string_equal(steady->unit, "bit/s");
    assert_string_equal(steady->condition, "idle");
    assert_string_equal(steady->expected_source, "computed");
    assert_string_equal(steady->exchange, "made-0");
    assert_string_equal(steady->started_utc, "2031-03-14T10:12:30Z");
    assert_close(whole->value, 37000, 0.01);
    assert_true(isnan(whole->low));
    assert_string_not_equal(whole->why, "");
    assert_int_equal(whole->verdict, VERDICT_NONE);
}

static void the_interval_holds_the_truth_about_as_often_as_it_says(void **state)
{
    struct reduced_run *fixture = *state;
    int held = 0;
    int settled = 0;
    const int rounds = 300;

    for (int i = 0; i < rounds; i++) {
        struct made_download download = steady_download(37000);

        download.jitter_seed = (uint64_t) i * 7919 + 1;
        add_download(fixture, 0, (uint64_t) i + 1, &download);
    }
    reduced_run_reduce(fixture);
    for (int i = 0; i < rounds; i++) {
        const struct finding *steady = reduced_run_find_of(
            fixture, "goodput_steady", "calm", (uint64_t) i + 1);

        settled += !isnan(steady->value);
        held += steady->low <= 37000 && steady->high >= 37000;
    }
    /* The choice of the cut costs a little of the 95 %; 285 of 300 would be
     * the mean, and 265 is more than four deviations from it. */
    assert_true(settled >= 290);
    assert_true(held >= 265 && held < 300);
}

static void a_slow_start_is_cut_off(void **state)
{
    struct reduced_run *fixture = *state;
    struct made_download download = steady_download(37000);

    download.warm_up_ns = 4 * NS_PER_S;
    add_download(fixture, 0, 1, &download);
    reduced_run_reduce(fixture);
    assert_close(
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1)->value, 37000,
        0.005);
    /* 4 of 22 s at a quarter: the whole transfer has it in it. */
    assert_close(
        reduced_run_find_of(fixture, "goodput_whole", "calm", 1)->value,
        37000 * (18 + 1) / 22.0, 0.02);
}

static void the_interval_decides_the_verdict(void **state)
{
    struct reduced_run *fixture = *state;
    struct expectation expectation;
    static const struct {
        double share_of_low, share_of_high;
        enum verdict verdict;
    } cases[] = {
        { 1.00, 0, VERDICT_MEETS },   { 0.93, 0, VERDICT_MEETS },
        { 0.85, 0, VERDICT_SHORT },   { 0, 0.99, VERDICT_MEETS },
        { 0, 1.10, VERDICT_EXCEEDS },
    };

    capacity_expect_of(&fixture->made.plan, &fixture->made.plan.steps[0],
                       &expectation);
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const struct made_download download = steady_download(
            cases[i].share_of_low * expectation.goodput_bps.low
            + cases[i].share_of_high * expectation.goodput_bps.high);

        add_download(fixture, 0, i + 1, &download);
    }
    reduced_run_reduce(fixture);
    for (size_t i = 0; i < COUNT_OF(cases); i++)
        assert_int_equal(
            reduced_run_find_of(fixture, "goodput_steady", "calm", i + 1)
                ->verdict,
            cases[i].verdict);
}

static void
a_straddling_interval_is_undecided_and_says_how_much_more(void **state)
{
    struct reduced_run *fixture = *state;
    struct expectation expectation;

    capacity_expect_of(&fixture->made.plan, &fixture->made.plan.steps[0],
                       &expectation);
    struct made_download download =
        steady_download(0.9005 * expectation.goodput_bps.low);

    download.jitter_seed = 99;
    add_download(fixture, 0, 1, &download);
    reduced_run_reduce(fixture);
    const struct finding *steady =
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1);

    assert_int_equal(steady->verdict, VERDICT_UNDECIDED);
    assert_string_not_equal(steady->why, "");
}

static void too_short_a_download_gives_only_the_whole_transfer(void **state)
{
    struct reduced_run *fixture = *state;
    struct made_download download = steady_download(37000);

    download.for_ns = 4 * NS_PER_S;
    add_download(fixture, 0, 1, &download);
    reduced_run_reduce(fixture);
    const struct finding *steady =
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1);

    assert_true(isnan(steady->value));
    assert_non_null(strstr(steady->why, "30"));
    assert_true(steady->expected_low > 30000); /* what it should have been */
    assert_int_equal(steady->verdict, VERDICT_NONE);
    assert_close(
        reduced_run_find_of(fixture, "goodput_whole", "calm", 1)->value, 37000,
        0.05);
}

static void repeats_give_whole_transfers_an_interval(void **state)
{
    struct reduced_run *fixture = *state;
    const double rates_bps[] = { 36000, 37000, 38000 };

    for (size_t i = 0; i < COUNT_OF(rates_bps); i++) {
        const struct made_download download = steady_download(rates_bps[i]);

        add_download(fixture, 0, i + 1, &download);
    }
    reduced_run_reduce(fixture);
    const struct finding *whole =
        reduced_run_find_of(fixture, "goodput_whole", "calm", 0);

    assert_close(whole->value, 37000, 0.01);
    assert_int_equal(whole->samples_count, 3);
    assert_string_equal(whole->exchange, "");
    /* t(0.975; 2) = 4.30265 times 1000 / sqrt 3 */
    assert_close(whole->high - whole->value, 4.30265 * 1000 / sqrt(3), 0.02);
}

static void no_interval_goes_below_zero(void **state)
{
    struct reduced_run *fixture = *state;
    const double rates_bps[] = { 4000, 40000 };

    for (size_t i = 0; i < COUNT_OF(rates_bps); i++) {
        const struct made_download download = steady_download(rates_bps[i]);

        add_download(fixture, 0, i + 1, &download);
    }
    reduced_run_reduce(fixture);
    const struct finding *whole =
        reduced_run_find_of(fixture, "goodput_whole", "calm", 0);

    /* t(0.975; 1) = 12.7062 times the standard error, and none below 0. */
    assert_true(whole->low == 0 && !signbit(whole->low));
    assert_true(whole->high - whole->value > 2 * whole->value);
}

static void
rounds_together_have_the_error_of_their_own_or_their_spread(void **state)
{
    struct reduced_run *fixture = *state;
    static const double rates_bps[] = { 35000, 36000, 37000, 38000, 39000 };

    /* Two rounds on one step: the errors from within are added; five on the
     * other: their spread, t(0.975; 4) = 2.77645 x 3162.3 / sqrt 5. */
    for (size_t i = 0; i < COUNT_OF(rates_bps); i++) {
        struct made_download slow = steady_download(rates_bps[i]);
        struct made_download fast = steady_download(2 * rates_bps[i]);

        if (i < 2)
            add_download(fixture, 0, i + 1, &slow);
        add_download(fixture, 1, i + 1, &fast);
    }
    reduced_run_reduce(fixture);
    const struct finding *two =
        reduced_run_find_of(fixture, "goodput_steady", "calm", 0);
    const struct finding *five =
        reduced_run_find_of(fixture, "goodput_steady", "brisk", 0);

    assert_close(two->value, 35500, 0.003);
    assert_true(two->high - two->low < 400);
    assert_int_equal(five->samples_count, 5);
    assert_close(five->value, 74000, 0.003);
    assert_close(five->high - five->value, 2.77645 * 2 * 1581.14 / sqrt(5),
                 0.02);
    /* The gain takes all rounds of both steps. */
    assert_close(reduced_run_find_of(fixture, "gain", "brisk", 0)->value,
                 74000 / 35500.0, 0.004);
}

static void
gain_is_the_ratio_of_the_steps_with_the_promise_beside_it(void **state)
{
    struct reduced_run *fixture = *state;
    struct made_download slow = steady_download(37000);
    struct made_download fast = steady_download(70300);

    slow.jitter_seed = 5;
    fast.jitter_seed = 6;
    add_download(fixture, 0, 1, &slow);
    add_download(fixture, 1, 1, &fast);
    reduced_run_reduce(fixture);
    const struct finding *gain =
        reduced_run_find_of(fixture, "gain", "brisk", 0);

    assert_close(gain->value, 1.9, 0.02);
    assert_true(gain->low < 1.9 && gain->high > 1.9 && gain->low > 1.8);
    assert_true(gain->expected_low > 1.7 && gain->expected_high < 2.3);
    assert_string_equal(gain->unit, "ratio");
    /* One round says nothing of what the difference is due to. */
    assert_int_equal(gain->verdict, VERDICT_NONE);
    assert_non_null(strstr(gain->why, "not shown to be due to the change"));
}

static void a_gain_over_five_rounds_has_a_verdict(void **state)
{
    struct reduced_run *fixture = *state;

    for (uint64_t round = 1; round <= 5; round++) {
        struct made_download slow =
            steady_download(36000 + 300 * (double) round);
        struct made_download fast =
            steady_download(70300 + 600 * (double) round);

        add_download(fixture, 0, round, &slow);
        add_download(fixture, 1, round, &fast);
    }
    reduced_run_reduce(fixture);
    assert_int_equal(reduced_run_find_of(fixture, "gain", "brisk", 0)->verdict,
                     VERDICT_MEETS);
}

static void the_plan_says_what_share_meets(void **state)
{
    struct reduced_run *fixture = *state;
    struct made_download slow = steady_download(34500);

    slow.jitter_seed = 5;
    add_download(fixture, 0, 1, &slow);
    reduced_run_reduce(fixture);
    assert_int_equal(
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1)->verdict,
        VERDICT_MEETS);
    /* The same figure against a limit that it does not reach. */
    fixture->made.plan.link.meets_ratio = 1;
    reduced_run_reduce(fixture);
    assert_int_not_equal(
        reduced_run_find_of(fixture, "goodput_steady", "calm", 1)->verdict,
        VERDICT_MEETS);
}

/* --- pings ---------------------------------------------------------------- */

static void percentiles_count_a_lost_probe_as_infinite(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[100];

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = i % 20 ? (i + 1) * NS_PER_MS : 0;
    add_ping(fixture, rtts_ns, COUNT_OF(rtts_ns), 1);
    reduced_run_reduce(fixture);
    const struct finding *loss =
        reduced_run_find_of(fixture, "loss", "calm", 1);

    assert_close(loss->value, 0.05, 1e-12);
    assert_int_equal(loss->samples_count, 100);
    /* Wilson 5/100 */
    assert_close(loss->low, 0.021543, 1e-3);
    assert_close(loss->high, 0.111750, 1e-3);
    /* 95 answered: p95 of all sent is the largest, p99 would be infinite. */
    assert_close(reduced_run_find_of(fixture, "rtt_p95", "calm", 1)->value,
                 0.100, 1e-9);
    assert_true(
        isinf(reduced_run_find_of(fixture, "rtt_p95", "calm", 1)->high));
    /* The 90th of the rest: 20 smallest hold one lost probe in each 20. */
    assert_close(
        reduced_run_find_of(fixture, "rtt_answered_p50", "calm", 1)->value,
        0.051, 1e-9);
    assert_close(reduced_run_find_of(fixture, "rtt_least", "calm", 1)->value,
                 0.002, 1e-9);
    const struct finding *p99 =
        reduced_run_find_of(fixture, "rtt_p99", "calm", 1);

    assert_true(isnan(p99->value));
    assert_non_null(strstr(p99->why, "368"));
}

static void a_probe_after_a_pause_counts_for_loss_only(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[40];
    struct exchange_account prober;

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = 60 * NS_PER_MS;
    rtts_ns[0] = 3 * NS_PER_S;
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    ((struct ping_probe *) rows_at(&prober.series[0], 0))->after_pause = true;
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &ping_kind,
                                          .round = 1,
                                          .from = "quay",
                                          .to = "198.51.100.1",
                                          .spec = &spec_echo,
                                          .from_account = &prober });
    account_clear(&prober);
    reduced_run_reduce(fixture);
    assert_int_equal(
        reduced_run_find_of(fixture, "loss", "calm", 1)->samples_count, 40);
    assert_int_equal(
        reduced_run_find_of(fixture, "rtt_p90", "calm", 1)->samples_count, 39);
    assert_close(reduced_run_find_of(fixture, "rtt_p90", "calm", 1)->value,
                 0.06, 1e-9);
    assert_close(
        reduced_run_find_of(fixture, "rtt_after_pause", "calm", 1)->value, 3,
        1e-9);
    /* A host that is no end: nothing is expected of it. */
    assert_true(isnan(
        reduced_run_find_of(fixture, "rtt_p50", "calm", 1)->expected_low));
}

static void rounds_are_pooled_for_percentiles(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[40];

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = (60 + i) * NS_PER_MS;
    add_ping(fixture, rtts_ns, COUNT_OF(rtts_ns), 1);
    add_ping(fixture, rtts_ns, COUNT_OF(rtts_ns), 2);
    reduced_run_reduce(fixture);
    assert_true(
        isnan(reduced_run_find_of(fixture, "rtt_p95", "calm", 1)->value));
    assert_int_equal(
        reduced_run_find_of(fixture, "rtt_p95", "calm", 0)->samples_count, 80);
    assert_close(reduced_run_find_of(fixture, "rtt_p95", "calm", 0)->value,
                 0.097, 1e-9);
}

/* --- odd data ------------------------------------------------------------- */

static void
a_missing_account_is_a_finding_without_value_that_says_why(void **state)
{
    struct reduced_run *fixture = *state;

    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .round = 1,
                                          .from = "mill",
                                          .to = "quay",
                                          .spec = &spec_22_s });
    made_run_add(&fixture->made, &(struct made_exchange){ .kind = &ping_kind,
                                                          .round = 1,
                                                          .from = "quay",
                                                          .to = "mill",
                                                          .spec = &spec_echo });
    reduced_run_reduce(fixture);
    static const char *const measures[] = { "goodput_steady", "goodput_whole",
                                            "rtt_p50", "loss" };

    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        const struct finding *finding =
            reduced_run_find_of(fixture, measures[i], NULL, 1);

        assert_true(isnan(finding->value));
        assert_non_null(strstr(finding->why, "account"));
        assert_int_equal(finding->verdict, VERDICT_NONE);
    }
}

static void a_failed_account_gives_its_trouble_as_why(void **state)
{
    struct reduced_run *fixture = *state;
    const struct made_download download = steady_download(37000);
    struct exchange_account receiver;

    made_receiver(&download, &receiver);
    receiver.state = ACCOUNT_FAILED;
    (void) snprintf(receiver.trouble, sizeof(receiver.trouble),
                    "connection refused");
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .round = 1,
                                          .from = "mill",
                                          .to = "quay",
                                          .spec = &spec_22_s,
                                          .to_account = &receiver });
    account_clear(&receiver);
    reduced_run_reduce(fixture);
    assert_non_null(
        strstr(reduced_run_find_of(fixture, "goodput_steady", NULL, 1)->why,
               "connection refused"));
}

static void odd_arrivals_never_give_a_figure_that_is_not_there(void **state)
{
    struct reduced_run *fixture = *state;
    static const struct download_arrival odd[][3] = {
        { { 0, 0, 0 } },
        { { 0, 5000000000000, 1000 } },
        { { 0, 1, 1000 }, { 0, 2, 1000 } }, /* before the start */
        { { 0, 5000000000000, 1000 }, { 0, 5000000000000, 1000 } },
        { { 0, 9000000000000, 1000 }, { 0, 5000000000000, 5 } },
        { { 0, INT64_MAX, INT64_MAX }, { 3, 0, INT64_MAX } },
    };

    for (size_t i = 0; i < COUNT_OF(odd) + 1; i++) {
        struct made_download none = steady_download(1);
        struct exchange_account receiver;

        none.for_ns = 0;
        made_receiver(&none, &receiver);
        for (size_t j = 0; i < COUNT_OF(odd) && j < 3; j++) {
            if (odd[i][j].bytes)
                *(struct download_arrival *) rows_add(&receiver.series[0]) =
                    odd[i][j];
        }
        made_run_add(&fixture->made,
                     &(struct made_exchange){ .kind = &download_kind,
                                              .round = i + 1,
                                              .plan_index = i,
                                              .from = "mill",
                                              .to = "quay",
                                              .spec = &spec_22_s,
                                              .to_account = &receiver });
        account_clear(&receiver);
    }
    reduced_run_reduce(fixture);
    for (size_t i = 0; i < COUNT_OF(odd) + 1; i++)
        assert_true(isnan(reduced_run_find_of(fixture, "goodput_steady", NULL,
                                              (uint64_t) i + 1)
                              ->value));
}

static void pings_without_probes_or_answers_give_no_percentile(void **state)
{
    struct reduced_run *fixture = *state;
    const uint64_t lost[50] = { 0 };

    add_ping(fixture, NULL, 0, 1);
    add_ping(fixture, lost, COUNT_OF(lost), 2);
    reduced_run_reduce(fixture);
    assert_true(isnan(reduced_run_find_of(fixture, "loss", NULL, 1)->value));
    assert_true(isnan(reduced_run_find_of(fixture, "rtt_p50", NULL, 1)->value));
    assert_true(reduced_run_find_of(fixture, "loss", NULL, 2)->value == 1);
    assert_true(isinf(reduced_run_find_of(fixture, "rtt_p50", NULL, 2)->value));
    assert_true(
        isnan(reduced_run_find_of(fixture, "rtt_least", NULL, 2)->value));
}

static uint64_t nonsense(struct draw *draw)
{
    static const uint64_t edges[] = { 0, 1, 1000, INT64_MAX, INT64_MAX - 1 };
    const uint64_t number = draw_next(draw);

    if (number % 3 == 0)
        return edges[number / 3 % COUNT_OF(edges)];
    return draw_next(draw) >> (1 + number % 60);
}

static void fill_with_nonsense(struct draw *draw, const struct kind *kind,
                               struct exchange_account *account)
{
    account_init(account, kind);
    account->state = ACCOUNT_DONE;
    account->begun_ns = nonsense(draw);
    account->ended_ns = nonsense(draw);
    account->wall_minus_monotonic_begun_ns = (int64_t) nonsense(draw);
    account->wall_minus_monotonic_ended_ns = -(int64_t) nonsense(draw);
    account->sent_bytes_after = nonsense(draw);
    account->received_packets_before = nonsense(draw);
    for (size_t i = 0; i < kind->series_count; i++) {
        for (uint64_t rows = draw_next(draw) % 90; rows; rows--) {
            void *row = rows_add(&account->series[i]);

            for (size_t j = 0; j < kind->series[i].field_count; j++) {
                const struct field *field = &kind->series[i].fields[j];

                if (field->shape == FIELD_WHOLE)
                    *(uint64_t *) field_in(field, row) = nonsense(draw);
                else if (field->shape == FIELD_CHOICE)
                    *(int *) field_in(field, row) = (int) (nonsense(draw) % 2);
            }
        }
    }
}

/* The sanitizer build makes a test of this. */
static void nonsense_is_reduced_without_a_crash(void **state)
{
    struct reduced_run *fixture = *state;
    struct draw draw = { 4711 };
    static const struct download_spec by_size = { .size_bytes = 1000,
                                                  .connections = 1 };

    for (uint64_t i = 0; i < 150; i++) {
        const bool is_ping = i % 3 == 0;
        const struct kind *kind = is_ping ? &ping_kind : &download_kind;
        const void *spec = is_ping      ? (const void *) &spec_echo
                           : i % 3 == 1 ? (const void *) &by_size
                                        : (const void *) &spec_22_s;
        struct exchange_account from;
        struct exchange_account to;

        fill_with_nonsense(&draw, kind, &from);
        fill_with_nonsense(&draw, kind, &to);
        made_run_add(&fixture->made,
                     &(struct made_exchange){ .kind = kind,
                                              .step = i % 2,
                                              .round = 1 + i / 10,
                                              .plan_index = i % 4,
                                              .from = "mill",
                                              .to = "quay",
                                              .spec = spec,
                                              .from_account = &from,
                                              .to_account = &to });
        account_clear(&from);
        account_clear(&to);
    }
    reduced_run_reduce(fixture);
    for (size_t i = 0; i < fixture->reduction.findings.count; i++) {
        const struct finding *finding =
            rows_at(&fixture->reduction.findings, i);

        assert_true(!isnan(finding->value) || finding->why[0]);
    }
    struct report_summary summary;
    struct fault fault = { 0 };
    char folder[128];

    (void) snprintf(folder, sizeof(folder), "%s/report", fixture->made.folder);
    assert_int_equal(report_write(made_run_database(&fixture->made),
                                  fixture->made.run.run, &fixture->made.plan,
                                  folder, &summary, &fault),
                     0);
}

/* Two connections: what counts of each is its last row. */
static void tcp_tells_its_efficiency_and_its_buffer_delay(void **state)
{
    static const struct download_tcp told[] = {
        { .connection = 0,
          .sent_bytes = 40000,
          .rtt_us = 200000,
          .least_rtt_us = 190000 },
        { .connection = 1,
          .sent_bytes = 50000,
          .rtt_us = 250000,
          .least_rtt_us = 150000 },
        { .connection = 0,
          .sent_bytes = 60000,
          .repeated_bytes = 1500,
          .rtt_us = 300000,
          .least_rtt_us = 160000 },
        { .connection = 1,
          .sent_bytes = 42000 + 50000,
          .repeated_bytes = 1540,
          .rtt_us = 330000,
          .least_rtt_us = 150000 },
    };
    const struct made_download download = steady_download(37000);
    struct reduced_run *fixture = *state;
    struct exchange_account sender, receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    for (size_t i = 0; i < COUNT_OF(told); i++)
        memcpy(rows_add(&sender.series[1]), &told[i], sizeof(told[i]));
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .round = 1,
                                          .plan_index = 1,
                                          .from = "mill",
                                          .to = "quay",
                                          .spec = &spec_22_s,
                                          .from_account = &sender,
                                          .to_account = &receiver });
    account_clear(&sender);
    account_clear(&receiver);
    reduced_run_reduce(fixture);
    const struct finding *efficiency =
        reduced_run_find_of(fixture, "tcp_efficiency", NULL, 1);
    const struct finding *delay =
        reduced_run_find_of(fixture, "buffer_delay", NULL, 1);

    assert_true(fabs(efficiency->value - (1 - 3040.0 / 152000)) < 1e-9);
    assert_true(efficiency->low == efficiency->value
                && efficiency->high == efficiency->value);
    assert_true(fabs(delay->value - (270.0 - 150) / 150) < 1e-9);
    assert_true(isnan(delay->low) && delay->why[0]);
}

static void an_empty_run_and_an_unknown_one_are_told_apart(void **state)
{
    struct reduced_run *fixture = *state;
    struct rows findings = { .row_size = sizeof(struct finding) };
    struct fault fault = { 0 };

    reduced_run_reduce(fixture);
    assert_true(
        isnan(reduced_run_find_of(fixture, "control_share", NULL, 0)->value));
    assert_int_not_equal(reduce_run(made_run_database(&fixture->made), 99,
                                    &fixture->made.plan, &findings, &fault),
                         0);
    assert_non_null(strstr(fault.text, "99"));
}

static void control_traffic_is_a_share_of_all_bytes(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[40];

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = 60 * NS_PER_MS;
    add_ping(fixture, rtts_ns, COUNT_OF(rtts_ns), 1);
    reduced_run_reduce(fixture);
    const struct finding *share =
        reduced_run_find_of(fixture, "control_share", NULL, 0);

    /* 1600 bytes a group, 40 probes and answers of 84 */
    assert_close(share->value, 1600.0 / (1600 + 80 * 84), 1e-9);
    assert_true(share->low == share->value && share->high == share->value);
}

#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, reduced_run_set_up,                  \
                                    reduced_run_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(what_ended_when_it_was_known_has_no_silence_behind_it),
        WITH_FIXTURE(what_fell_silent_before_it_was_known_has_one),
        WITH_FIXTURE(a_constant_rate_is_found_as_it_is),
        WITH_FIXTURE(the_interval_holds_the_truth_about_as_often_as_it_says),
        WITH_FIXTURE(a_slow_start_is_cut_off),
        WITH_FIXTURE(the_interval_decides_the_verdict),
        WITH_FIXTURE(a_straddling_interval_is_undecided_and_says_how_much_more),
        WITH_FIXTURE(too_short_a_download_gives_only_the_whole_transfer),
        WITH_FIXTURE(repeats_give_whole_transfers_an_interval),
        WITH_FIXTURE(no_interval_goes_below_zero),
        WITH_FIXTURE(
            rounds_together_have_the_error_of_their_own_or_their_spread),
        WITH_FIXTURE(gain_is_the_ratio_of_the_steps_with_the_promise_beside_it),
        WITH_FIXTURE(a_gain_over_five_rounds_has_a_verdict),
        WITH_FIXTURE(the_plan_says_what_share_meets),
        WITH_FIXTURE(percentiles_count_a_lost_probe_as_infinite),
        WITH_FIXTURE(a_probe_after_a_pause_counts_for_loss_only),
        WITH_FIXTURE(rounds_are_pooled_for_percentiles),
        WITH_FIXTURE(
            a_missing_account_is_a_finding_without_value_that_says_why),
        WITH_FIXTURE(a_failed_account_gives_its_trouble_as_why),
        WITH_FIXTURE(odd_arrivals_never_give_a_figure_that_is_not_there),
        WITH_FIXTURE(pings_without_probes_or_answers_give_no_percentile),
        WITH_FIXTURE(nonsense_is_reduced_without_a_crash),
        WITH_FIXTURE(tcp_tells_its_efficiency_and_its_buffer_delay),
        WITH_FIXTURE(an_empty_run_and_an_unknown_one_are_told_apart),
        WITH_FIXTURE(control_traffic_is_a_share_of_all_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
