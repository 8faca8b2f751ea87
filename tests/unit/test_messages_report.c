/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

#define BEGUN_NS (1000 * NS_PER_S)

struct fixture {
    struct made_run made;
    struct rows findings;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    made_run_init(&fixture->made, false);
    fixture->findings.row_size = sizeof(struct finding);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    rows_clear(&fixture->findings);
    made_run_clear(&fixture->made);
    free(fixture);
    return 0;
}

static const struct messages_spec spec = {
    .count = 40,
    .gap_ns = { SPREAD_FIXED, 2e9, 2e9, 2e9 },
    .size_bytes = { SPREAD_FIXED, 80, 80, 80 },
    .wait_ns = 30 * NS_PER_S
};

/* Messages confirmed after 1, 2, 3 ... times step_ns; the last so many not. */
struct made_end {
    const char *part;
    size_t count, unconfirmed_count;
    uint64_t step_ns;
    int state;
};

static void make_account(const struct made_end *end,
                         struct exchange_account *account)
{
    struct messages_outcome *outcome =
        (struct messages_outcome *) account->outcome.bytes;

    account_init(account, &messages_kind);
    (void) snprintf(account->part, sizeof(account->part), "%s", end->part);
    account->state = end->state;
    account->begun_ns = BEGUN_NS;
    account->ended_ns = BEGUN_NS + 90 * NS_PER_S;
    outcome->sent_count = end->count;
    for (size_t i = 0; i < end->count; i++) {
        struct messages_sent *message = rows_add(&account->series[0]);

        message->sequence = i;
        message->size_bytes = 80;
        message->handed_ns = BEGUN_NS + (i + 1) * 2 * NS_PER_S;
        if (i >= end->count - end->unconfirmed_count)
            continue;
        message->state = MESSAGE_CONFIRMED;
        message->confirmed_ns = message->handed_ns + (i + 1) * end->step_ns;
    }
}

static void add_exchange_of(struct fixture *fixture, uint64_t round,
                            const struct messages_spec *asked,
                            const char *condition, const struct made_end *first,
                            const struct made_end *second)
{
    struct exchange_account accounts[2];
    const struct made_exchange exchange = {
        .kind = &messages_kind,
        .round = round,
        .plan_index = 2,
        .from = "mill",
        .to = "quay",
        .condition = condition,
        .spec = asked,
        .from_account = &accounts[0],
        .to_account = second ? &accounts[1] : NULL,
    };

    make_account(first, &accounts[0]);
    if (second)
        make_account(second, &accounts[1]);
    made_run_add(&fixture->made, &exchange);
    account_clear(&accounts[0]);
    if (second)
        account_clear(&accounts[1]);
}

static void add_exchange(struct fixture *fixture, uint64_t round,
                         const struct made_end *first,
                         const struct made_end *second)
{
    add_exchange_of(fixture, round, &spec, "download mill > quay", first,
                    second);
}

static void reduce(struct fixture *fixture)
{
    struct fault fault = { 0 };

    made_run_end(&fixture->made, "complete");
    if (reduce_run(made_run_database(&fixture->made), fixture->made.run.run,
                   &fixture->made.plan, &fixture->findings, &fault))
        fail_msg("%s", fault.text);
}

static const struct finding *finding_of(const struct fixture *fixture,
                                        const char *measure, const char *from,
                                        uint64_t round)
{
    for (size_t i = 0; i < fixture->findings.count; i++) {
        const struct finding *finding = rows_at(&fixture->findings, i);

        if (strcmp(finding->measure, measure) == 0
            && strcmp(finding->from, from) == 0 && finding->round == round)
            return finding;
    }
    fail_msg("no %s from %s in round %d", measure, from, (int) round);
    abort(); /* for whoever does not know that it never returns */
}

static void assert_seconds(double found, double expected)
{
    if (!(fabs(found - expected) < 1e-9))
        fail_msg("found %g, expected %g", found, expected);
}

static void each_direction_has_its_own_times(void **state)
{
    struct fixture *fixture = *state;
    const struct made_end first = { "first", 40, 0, 10 * NS_PER_MS,
                                    ACCOUNT_DONE };
    const struct made_end second = { "second", 40, 0, 20 * NS_PER_MS,
                                     ACCOUNT_DONE };

    add_exchange(fixture, 1, &first, &second);
    reduce(fixture);
    const struct finding *half =
        finding_of(fixture, "confirmed_p50", "mill", 1);
    /* Rank 20 of 40 (RFC 2330 section 11.3); its interval is from rank 14 to
     * 27: binomial, as in the table of tests/reference. */
    assert_seconds(half->value, 0.20);
    assert_seconds(half->low, 0.14);
    assert_seconds(half->high, 0.27);
    assert_string_equal(half->to, "quay");
    assert_string_equal(half->condition, "download mill > quay");
    assert_string_equal(half->unit, "s");
    assert_int_equal(half->samples_count, 40);
    assert_int_equal(half->verdict, VERDICT_NONE);
    assert_seconds(finding_of(fixture, "confirmed_p90", "mill", 1)->value,
                   0.36);
    assert_seconds(finding_of(fixture, "confirmed_p50", "quay", 1)->value,
                   0.40);
    assert_string_equal(finding_of(fixture, "confirmed_p50", "quay", 1)->to,
                        "mill");
}

static void a_percentile_needs_enough_messages(void **state)
{
    struct fixture *fixture = *state;
    const struct made_end first = { "first", 40, 0, NS_PER_MS, ACCOUNT_DONE };
    const struct made_end second = { "second", 5, 0, NS_PER_MS, ACCOUNT_DONE };

    add_exchange(fixture, 1, &first, &second);
    reduce(fixture);
    const struct finding *finding =
        finding_of(fixture, "confirmed_p95", "mill", 1);
    assert_true(isnan(finding->value));
    assert_string_equal(finding->why, "needs 72 messages, there are 40");
    assert_true(isnan(finding_of(fixture, "confirmed_p50", "quay", 1)->value));
}

static void the_unconfirmed_count_as_infinite(void **state)
{
    struct fixture *fixture = *state;
    const struct made_end first = { "first", 40, 8, 10 * NS_PER_MS,
                                    ACCOUNT_FAILED };
    const struct made_end second = { "second", 40, 21, 10 * NS_PER_MS,
                                     ACCOUNT_FAILED };

    add_exchange(fixture, 1, &first, &second);
    reduce(fixture);
    const struct finding *share = finding_of(fixture, "unconfirmed", "mill", 1);
    assert_seconds(share->value, 0.2);
    /* All in a row: neighbours correlate by (7 - 0.2 * 15 + 39 * 0.04) / 6.4 =
     * 0.86875, so the 40 are worth 40 * 0.13125 / 1.86875 = 2.8094.  Wilson's
     * interval of 0.2 of so many, worked by hand: (0.2 + z2/2n -+ z
     * sqrt(0.16/n + z2/4n2)) / (1 + z2/n), z = 1.959964. */
    assert_true(fabs(share->low - 0.02336) < 5e-5);
    assert_true(fabs(share->high - 0.72319) < 5e-5);
    assert_true(isinf(finding_of(fixture, "confirmed_p90", "mill", 1)->value));
    assert_seconds(finding_of(fixture, "confirmed_p50", "mill", 1)->value,
                   0.20);
    assert_true(isinf(finding_of(fixture, "confirmed_p50", "quay", 1)->value));
}

static void what_had_not_waited_out_at_the_stop_is_left_out(void **state)
{
    struct fixture *fixture = *state;
    /* The last of 40 was sent 80 s after the begin; it all ends 10 s later, so
     * messages 29 to 39, sent within 30 s of it, are undecided. */
    const struct made_end first = { "first", 40, 20, 10 * NS_PER_MS,
                                    ACCOUNT_STOPPED };
    const struct made_end second = { "second", 40, 0, 10 * NS_PER_MS,
                                     ACCOUNT_DONE };

    add_exchange(fixture, 1, &first, &second);
    reduce(fixture);
    const struct finding *share = finding_of(fixture, "unconfirmed", "mill", 1);
    assert_int_equal(share->samples_count, 30);
    assert_seconds(share->value, 10.0 / 30);
}

static void
an_account_that_never_came_is_said_for_its_direction_only(void **state)
{
    struct fixture *fixture = *state;
    const struct made_end first = { "first", 40, 0, 10 * NS_PER_MS,
                                    ACCOUNT_DONE };

    add_exchange(fixture, 1, &first, NULL);
    reduce(fixture);
    assert_seconds(finding_of(fixture, "confirmed_p50", "mill", 1)->value,
                   0.20);
    const struct finding *missing =
        finding_of(fixture, "confirmed_p50", "quay", 1);
    assert_true(isnan(missing->value));
    assert_non_null(strstr(missing->why, "quay"));
}

static void rounds_are_put_together_by_direction(void **state)
{
    struct fixture *fixture = *state;
    const struct made_end first = { "first", 40, 0, 10 * NS_PER_MS,
                                    ACCOUNT_DONE };
    const struct made_end second = { "second", 36, 2, 10 * NS_PER_MS,
                                     ACCOUNT_DONE };

    add_exchange(fixture, 1, &first, &second);
    add_exchange(fixture, 2, &first, &second);
    reduce(fixture);
    assert_int_equal(
        finding_of(fixture, "confirmed_p95", "mill", 0)->samples_count, 80);
    assert_seconds(finding_of(fixture, "confirmed_p95", "mill", 0)->value,
                   0.38);
    assert_seconds(finding_of(fixture, "unconfirmed", "quay", 0)->value,
                   4.0 / 72);
}

/* Two pairs between the same ends, of which the second takes twice as long. */
static void add_two_pairs(struct fixture *fixture, uint64_t round)
{
    const struct made_end ends[] = {
        { "first", 40, 0, 10 * NS_PER_MS, ACCOUNT_DONE },
        { "first", 40, 0, 20 * NS_PER_MS, ACCOUNT_DONE },
    };
    struct exchange_account accounts[2];
    struct made_exchange pairs[2];

    for (size_t i = 0; i < 2; i++) {
        make_account(&ends[i], &accounts[i]);
        pairs[i] = (struct made_exchange){
            .kind = &messages_kind,
            .round = round,
            .plan_index = 2 + i,
            .from = "mill",
            .to = "quay",
            .condition = "messages mill <> quay",
            .spec = &spec,
            .from_account = &accounts[i],
        };
    }
    made_run_add_together(&fixture->made, pairs, 2);
    for (size_t i = 0; i < 2; i++)
        account_clear(&accounts[i]);
}

static void
pairs_alike_in_a_group_are_told_apart_when_rounds_are_combined(void **state)
{
    struct fixture *fixture = *state;
    static const struct {
        const char *condition;
        double p50_s;
    } wanted[] = { { "messages mill <> quay (1 of 2)", 0.20 },
                   { "messages mill <> quay (2 of 2)", 0.40 } };
    size_t count = 0;

    add_two_pairs(fixture, 1);
    add_two_pairs(fixture, 2);
    reduce(fixture);
    for (size_t i = 0; i < fixture->findings.count; i++) {
        const struct finding *finding = rows_at(&fixture->findings, i);

        if (finding->round || strcmp(finding->measure, "confirmed_p50") != 0
            || strcmp(finding->from, "mill") != 0)
            continue;
        assert_true(count < 2);
        assert_string_equal(finding->condition, wanted[count].condition);
        assert_seconds(finding->value, wanted[count++].p50_s);
    }
    assert_int_equal(count, 2);
}

/* --- held against what is expected ---------------------------------------- */

/* Half within 20 times step_ns. */
static const struct finding *median_of_idle(struct fixture *fixture,
                                            const struct messages_spec *asked,
                                            uint64_t step_ns)
{
    const struct made_end end = { "first", 40, 0, step_ns, ACCOUNT_DONE };

    add_exchange_of(fixture, 1, asked, "idle", &end, &end);
    reduce(fixture);
    return finding_of(fixture, "confirmed_p50", "mill", 1);
}

static const struct messages_spec about_every_2_s = {
    .count = 40,
    .gap_ns = { SPREAD_UNIFORM, 2e9, 1e9, 3e9 },
    .size_bytes = { SPREAD_FIXED, 80, 80, 80 },
    .wait_ns = 30 * NS_PER_S
};

/*
 * By hand, for the step of 48 kbit/s: a message has 20 + 32 bytes of headers, a
 * line of 15 + 5 and 80 of text, a confirmation 20 + 32 and 14 + 5; a frame's
 * overhead is 12 each: 164 + 83 bytes take 41.17 ms.  One turn's overhead of
 * 12 ms is fixed, the light takes 0.04 ms, and the wait for the sender's turn
 * is 12 ms in the middle of a cycle of two idle ones: 65.2 ms.  What the
 * messages fill of the channel, about a twentieth, may make it longer.
 */
static void the_expected_median_is_a_round_trip_and_half_a_cycle(void **state)
{
    struct fixture *fixture = *state;
    const struct finding *finding =
        median_of_idle(fixture, &about_every_2_s, 33 * NS_PER_MS / 10);

    assert_true(fabs(finding->expected_low - 0.0652) < 0.0001);
    assert_true(finding->expected_high > 1.03 * finding->expected_low);
    assert_true(finding->expected_high < 1.08 * finding->expected_low);
    assert_string_equal(finding->expected_source, "computed");
    assert_int_equal(finding->samples_count, 40);
}

/* Medians of 20 steps each; their intervals go from 14 to 27 of them. */
static void slow_confirmations_are_short_of_what_is_expected(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(
        median_of_idle(fixture, &about_every_2_s, 10 * NS_PER_MS)->verdict,
        VERDICT_SHORT);
}

static void the_reports_sentence_tells_of_slow_confirmations(void **state)
{
    struct fixture *fixture = *state;
    struct report_summary summary;
    struct fault fault = { 0 };
    char folder[128];

    (void) median_of_idle(fixture, &about_every_2_s, 10 * NS_PER_MS);
    (void) snprintf(folder, sizeof(folder), "%s/report", fixture->made.folder);
    if (report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, folder, &summary, &fault))
        fail_msg("%s", fault.text);
    /* One in each direction. */
    assert_int_equal(summary.short_count, 2);
    assert_non_null(strstr(summary.sentence, "All 80 messages were confirmed. "
                                             "Times to confirmation: mill → "
                                             "quay on calm ("));
    assert_non_null(strstr(summary.sentence, "are longer than they should."));
}

static void confirmations_within_what_is_expected_meet_it(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(
        median_of_idle(fixture, &about_every_2_s, 28 * NS_PER_MS / 10)->verdict,
        VERDICT_MEETS);
}

static void confirmations_sooner_than_can_be_exceed(void **state)
{
    struct fixture *fixture = *state;

    /* 27 of 40 within 51.3 ms; the fixed part by itself takes 53.2 ms. */
    assert_int_equal(
        median_of_idle(fixture, &about_every_2_s, 19 * NS_PER_MS / 10)->verdict,
        VERDICT_EXCEEDS);
}

static void confirmations_sooner_than_expected_meet_it_too(void **state)
{
    struct fixture *fixture = *state;

    /* 27 of 40 within 59.4 ms; 65.2 ms are expected. */
    assert_int_equal(
        median_of_idle(fixture, &about_every_2_s, 22 * NS_PER_MS / 10)->verdict,
        VERDICT_MEETS);
}

static void an_interval_about_the_limit_is_undecided(void **state)
{
    struct fixture *fixture = *state;
    const struct finding *finding =
        median_of_idle(fixture, &about_every_2_s, 4 * NS_PER_MS);

    assert_int_equal(finding->verdict, VERDICT_UNDECIDED);
    assert_string_equal(finding->why, "more messages would decide it");
}

static void fewer_messages_than_planned_are_not_said_to_meet(void **state)
{
    struct fixture *fixture = *state;
    struct messages_spec more = about_every_2_s;

    more.count = 60;
    const struct finding *finding =
        median_of_idle(fixture, &more, 28 * NS_PER_MS / 10);

    assert_int_equal(finding->verdict, VERDICT_UNDECIDED);
    assert_string_equal(
        finding->why,
        "no verdict: it ended before all was done that was planned");
}

/* They may meet the cycle at the same place each time. */
static void gaps_all_alike_may_lock_to_any_place_in_the_cycle(void **state)
{
    struct fixture *fixture = *state;
    const struct finding *finding =
        median_of_idle(fixture, &spec, 33 * NS_PER_MS / 10);

    assert_true(fabs(finding->expected_low - 0.0532) < 0.0001);
    assert_true(finding->expected_high > 0.0772);
}

static void messages_that_fill_the_channel_have_no_expectation(void **state)
{
    struct fixture *fixture = *state;
    struct messages_spec dense = about_every_2_s;

    dense.gap_ns = (struct spread){ SPREAD_UNIFORM, 120e6, 60e6, 180e6 };
    const struct finding *finding =
        median_of_idle(fixture, &dense, 3 * NS_PER_MS);

    assert_true(isnan(finding->expected_low));
    assert_int_equal(finding->verdict, VERDICT_NONE);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(each_direction_has_its_own_times),
        TEST(a_percentile_needs_enough_messages),
        TEST(the_unconfirmed_count_as_infinite),
        TEST(what_had_not_waited_out_at_the_stop_is_left_out),
        TEST(an_account_that_never_came_is_said_for_its_direction_only),
        TEST(rounds_are_put_together_by_direction),
        TEST(pairs_alike_in_a_group_are_told_apart_when_rounds_are_combined),
        TEST(the_expected_median_is_a_round_trip_and_half_a_cycle),
        TEST(slow_confirmations_are_short_of_what_is_expected),
        TEST(the_reports_sentence_tells_of_slow_confirmations),
        TEST(confirmations_within_what_is_expected_meet_it),
        TEST(confirmations_sooner_than_can_be_exceed),
        TEST(confirmations_sooner_than_expected_meet_it_too),
        TEST(an_interval_about_the_limit_is_undecided),
        TEST(fewer_messages_than_planned_are_not_said_to_meet),
        TEST(gaps_all_alike_may_lock_to_any_place_in_the_cycle),
        TEST(messages_that_fill_the_channel_have_no_expectation),
    };

    return cmocka_run_group_tests_name("messages' report", tests, NULL, NULL);
}
