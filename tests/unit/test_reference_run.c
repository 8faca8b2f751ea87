/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * From a run on the bench to what a later run is held against.
 */
#include "reports/reference.h"

#include "reports/capacity.h"
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

struct fixture {
    struct made_run bench, field;
    struct plan_reference references[PLAN_STEPS_MAX];
    struct rows findings;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    made_run_init(&fixture->bench, false);
    made_run_init(&fixture->field, false);
    fixture->bench.plan.on_air = false;
    fixture->findings.row_size = sizeof(struct finding);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    rows_clear(&fixture->findings);
    made_run_clear(&fixture->bench);
    made_run_clear(&fixture->field);
    free(fixture);
    return 0;
}

static const struct download_spec spec_22_s = { .for_ns = 22 * NS_PER_S,
                                                .connections = 1 };

/* A download on the first step. */
static void add_download(struct made_run *made, bool is_down, uint64_t round,
                         double goodput_bps)
{
    const struct made_download download = { .goodput_bps = goodput_bps,
                                            .cycle_ns = 174 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 3,
                                            .for_ns = 22 * NS_PER_S };
    struct exchange_account sender, receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    made_run_add(made, &(struct made_exchange){
                           .kind = &download_kind,
                           .round = round,
                           .plan_index = is_down,
                           .from = is_down ? "mill" : "quay",
                           .to = is_down ? "quay" : "mill",
                           .spec = &spec_22_s,
                           .from_account = &sender,
                           .to_account = &receiver,
                       });
    account_clear(&sender);
    account_clear(&receiver);
}

/* 60 echoes from 60 to 119 ms. */
static void add_ping(struct made_run *made, uint64_t size_bytes)
{
    const struct ping_spec spec = { .count = 60,
                                    .size_bytes = size_bytes,
                                    .wait_ns = 10 * NS_PER_S };
    struct exchange_account prober, answerer;
    uint64_t rtts_ns[60];

    for (size_t i = 0; i < 60; i++)
        rtts_ns[i] = (60 + i) * NS_PER_MS;
    made_prober(rtts_ns, 60, &prober);
    made_answerer(&answerer);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .plan_index = 2,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &spec,
                                                .from_account = &prober,
                                                .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
}

static void gather(struct fixture *fixture)
{
    struct fault fault = { 0 };

    made_run_end(&fixture->bench, "complete");
    if (reference_gather(made_run_database(&fixture->bench),
                         fixture->bench.run.run, &fixture->bench.plan,
                         fixture->references, &fault))
        fail_msg("%s", fault.text);
}

static void take(struct fixture *fixture)
{
    reference_take(&fixture->field.plan, &fixture->bench.plan,
                   fixture->references, 3);
}

static struct expectation expect(const struct fixture *fixture, size_t step)
{
    struct expectation expectation;

    capacity_expect_of(&fixture->field.plan, &fixture->field.plan.steps[step],
                       &expectation);
    return expectation;
}

static void assert_near(double value, double expected, double ratio)
{
    if (!(fabs(value - expected) <= ratio * expected))
        fail_msg("found %.9g, expected %.9g", value, expected);
}

static void steady_goodput_and_echoes_of_a_run_are_gathered(void **state)
{
    struct fixture *fixture = *state;
    const struct plan_reference *calm = &fixture->references[0];

    add_download(&fixture->bench, true, 1, 37000);
    add_download(&fixture->bench, false, 1, 35000);
    add_ping(&fixture->bench, 56);
    gather(fixture);
    assert_int_equal(calm->run, fixture->bench.run.run);
    assert_false(calm->was_on_air || calm->is_practice);
    assert_near(range_middle(calm->to_station_bps), 37000, 0.01);
    assert_near(range_middle(calm->to_hub_bps), 35000, 0.01);
    assert_true(calm->to_station_bps.low <= calm->to_station_bps.high);
    assert_near(calm->least_rtt_ns.low, 60e6, 1e-9);
    assert_true(calm->median_rtt_ns.low < 89.5e6
                && calm->median_rtt_ns.high > 89.5e6);
}

static void several_rounds_give_as_wide_a_range_as_they_differ(void **state)
{
    struct fixture *fixture = *state;
    const struct plan_reference *calm = &fixture->references[0];

    fixture->bench.plan.rounds = 3;
    add_download(&fixture->bench, true, 1, 36000);
    add_download(&fixture->bench, true, 2, 37000);
    add_download(&fixture->bench, true, 3, 38000);
    gather(fixture);
    assert_near(range_middle(calm->to_station_bps), 37000, 0.01);
    assert_true(calm->to_station_bps.low < 36000);
    assert_true(calm->to_station_bps.high > 38000);
    assert_false(range_is_said(calm->to_hub_bps));
    assert_false(range_is_said(calm->median_rtt_ns));
}

/* Student's t of 35, 36 ... 39 kbit/s, 4 degrees of freedom: 37 +- 2.776 x
 * 1.581 / sqrt(5) = 1.963. */
static void five_rounds_give_the_interval_of_their_mean(void **state)
{
    struct fixture *fixture = *state;
    const struct plan_reference *first = &fixture->references[0];

    for (uint64_t round = 1; round <= 5; round++)
        add_download(&fixture->bench, true, round, 34e3 + 1e3 * (double) round);
    gather(fixture);
    assert_near(first->to_station_bps.low, 37000 - 1963, 0.01);
    assert_near(first->to_station_bps.high, 37000 + 1963, 0.01);
}

static void a_step_that_was_not_measured_has_none_and_says_so(void **state)
{
    struct fixture *fixture = *state;
    const struct expectation computed = expect(fixture, 1);

    add_download(&fixture->bench, true, 1, 37000);
    gather(fixture);
    take(fixture);
    const struct expectation calm = expect(fixture, 0);
    const struct expectation brisk = expect(fixture, 1);

    assert_string_equal(calm.source, "reference run 1");
    assert_string_equal(brisk.source, "computed");
    assert_true(brisk.goodput_bps.low == computed.goodput_bps.low);
    assert_string_equal(brisk.why,
                        "not held against reference run 3: it has no steady "
                        "goodput and no echoes of that step");
}

static void echoes_of_another_size_are_none(void **state)
{
    struct fixture *fixture = *state;

    add_ping(&fixture->bench, 500);
    gather(fixture);
    assert_int_equal(fixture->references[0].run, 0);
}

/* The range is what was measured, and up to the plan's no_change more is
 * nothing to wonder at. */
static void what_was_measured_is_expected(void **state)
{
    struct fixture *fixture = *state;
    const struct expectation computed = expect(fixture, 0);

    add_download(&fixture->bench, true, 1, 37000);
    add_download(&fixture->bench, false, 1, 35000);
    add_ping(&fixture->bench, 56);
    gather(fixture);
    take(fixture);
    const struct expectation calm = expect(fixture, 0);
    const struct plan_reference *measured = &fixture->references[0];

    assert_true(calm.goodput_bps.low == measured->to_hub_bps.low);
    assert_near(calm.goodput_bps.high, 1.1 * measured->to_station_bps.high,
                1e-9);
    assert_true(calm.mean_rtt_ns.low == measured->median_rtt_ns.low);
    assert_true(calm.is_trip_referred);
    /* A least round trip that the slots allow is no sign of another way. */
    assert_true(calm.least_rtt_ns.low == computed.least_rtt_ns.low);
    assert_true(calm.channel_bps.low == computed.channel_bps.low);
}

static const struct finding *find_steady(const struct fixture *fixture)
{
    for (size_t i = 0; i < fixture->findings.count; i++) {
        const struct finding *finding = rows_at(&fixture->findings, i);

        if (strcmp(finding->measure, "goodput_steady") == 0)
            return finding;
    }
    return NULL;
}

static void a_later_run_is_held_against_it(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    add_download(&fixture->bench, true, 1, 37000);
    gather(fixture);
    take(fixture);
    /* Under 90 % of the bench. */
    add_download(&fixture->field, true, 1, 31000);
    made_run_end(&fixture->field, "complete");
    if (reduce_run(made_run_database(&fixture->field), fixture->field.run.run,
                   &fixture->field.plan, &fixture->findings, &fault))
        fail_msg("%s", fault.text);
    const struct finding *steady = find_steady(fixture);

    assert_non_null(steady);
    if (!steady)
        return;
    assert_string_equal(steady->expected_source, "reference run 1");
    assert_near(steady->expected_low, 37000, 0.01);
    assert_int_equal(steady->verdict, VERDICT_SHORT);
}

/* --- for which steps it stands ------------------------------------------- */

static void assert_refused(struct fixture *fixture, const char *why)
{
    take(fixture);
    assert_int_equal(fixture->field.plan.steps[0].reference.run, 0);
    assert_string_equal(fixture->field.plan.steps[0].reference.why, why);
    assert_string_equal(expect(fixture, 0).source, "computed");
}

static void another_channel_is_no_reference(void **state)
{
    struct fixture *fixture = *state;
    struct plan *field = &fixture->field.plan;
    const struct plan was = *field;

    add_download(&fixture->bench, true, 1, 37000);
    gather(fixture);
    field->steps[0].symbol_rate_bd.high *= 1.1;
    assert_refused(fixture, "symbol_rate was another there");
    *field = was;
    field->link.mtu_bytes = 576;
    assert_refused(fixture, "mtu was another there");
    *field = was;
    field->link.slot_limit_ns = range_unsaid();
    assert_refused(fixture, "slot_limit was another there");
    *field = was;
    field->link.slot_least_ns = (struct range){ 20e6, 20e6 };
    assert_refused(fixture, "slot_least was another there");
    *field = was;
    field->link.repeats_limit_count = 4;
    assert_refused(fixture, "repeats.limit was another there");
    *field = was;
    field->link.contention_window_count = 16;
    assert_refused(fixture, "contention.window was another there");
    *field = was;
    field->link.stations_count = 3;
    assert_refused(fixture, "it had 1 stations, not 3");
    *field = was;
    (void) snprintf(field->steps[0].name, sizeof(field->steps[0].name), "wild");
    assert_refused(fixture, "it has no step of that name");
    *field = was;
    take(fixture);
    assert_int_equal(field->steps[0].reference.run, 1);
}

/* What the reference is for: the same radio over another path. */
static void another_path_is_no_matter(void **state)
{
    struct fixture *fixture = *state;
    struct plan *field = &fixture->field.plan;

    add_download(&fixture->bench, true, 1, 37000);
    gather(fixture);
    field->link.distance_m = 40e3;
    field->link.frequency_hz = 145e6;
    field->ends[1].power_w = 50;
    (void) snprintf(field->ends[1].name, sizeof(field->ends[1].name), "cliff");
    take(fixture);
    assert_int_equal(field->steps[0].reference.run, 1);
}

static void an_air_run_and_practice_are_called_so(void **state)
{
    struct fixture *fixture = *state;

    fixture->bench.plan.on_air = true;
    add_download(&fixture->bench, true, 1, 37000);
    gather(fixture);
    take(fixture);
    assert_string_equal(expect(fixture, 0).source,
                        "reference run 1 (on the air)");
    fixture->field.plan.steps[0].reference.is_practice = true;
    assert_string_equal(expect(fixture, 0).source,
                        "reference run 1 (practice)");
}

int main(void)
{
#define FROM_RUNS(test) cmocka_unit_test_setup_teardown(test, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        FROM_RUNS(steady_goodput_and_echoes_of_a_run_are_gathered),
        FROM_RUNS(several_rounds_give_as_wide_a_range_as_they_differ),
        FROM_RUNS(five_rounds_give_the_interval_of_their_mean),
        FROM_RUNS(a_step_that_was_not_measured_has_none_and_says_so),
        FROM_RUNS(echoes_of_another_size_are_none),
        FROM_RUNS(what_was_measured_is_expected),
        FROM_RUNS(a_later_run_is_held_against_it),
        FROM_RUNS(another_channel_is_no_reference),
        FROM_RUNS(another_path_is_no_matter),
        FROM_RUNS(an_air_run_and_practice_are_called_so),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
