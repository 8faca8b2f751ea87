/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/gain.h"
#include "tests/support/made_run.h"

#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

static void assert_near(double value, double expected, double margin)
{
    if (!(fabs(value - expected) <= margin))
        fail_msg("%.9g, expected %.9g", value, expected);
}

/* What a step carried in each round; the rounds of a run. */
static void add_rounds(struct made_run *made, size_t step,
                       const double *goodputs_bps, size_t count)
{
    static const struct download_spec spec = { .for_ns = 20 * NS_PER_S,
                                               .connections = 1 };

    for (size_t i = 0; i < count; i++) {
        const struct made_download download = {
            .goodput_bps = goodputs_bps[i],
            .cycle_ns = 166 * NS_PER_MS,
            .slot_ns = 138 * NS_PER_MS,
            .segments_a_cycle = 2,
            .for_ns = spec.for_ns,
            .jitter_seed = 1 + i + 100 * step,
        };
        struct exchange_account sender;
        struct exchange_account receiver;

        made_sender(&download, &sender);
        made_receiver(&download, &receiver);
        made_run_add(made, &(struct made_exchange){ .kind = &download_kind,
                                                    .step = step,
                                                    .round = i + 1,
                                                    .plan_index = 1,
                                                    .from = "mill",
                                                    .to = "quay",
                                                    .spec = &spec,
                                                    .from_account = &sender,
                                                    .to_account = &receiver });
        account_clear(&sender);
        account_clear(&receiver);
    }
}

/* A second run in the same logbook. */
static void begin_second(struct made_run *made)
{
    struct fault fault = { 0 };

    made_run_end(made, "complete");
    if (logbook_begin_run(made->logbook, &made->run, &fault))
        fail_msg("%s", fault.text);
}

static void scale(const double *values, size_t count, double factor,
                  double *ret_values)
{
    for (size_t i = 0; i < count; i++)
        ret_values[i] = factor * values[i];
}

static const double calm_bps[] = { 36400, 36700, 36200, 36500, 36650, 36300 };
#define ROUNDS COUNT_OF(calm_bps)

/* The one gain of a run whose upper step gives that many times the lower.
 * meets_ratio: the plan's; 0: not said. */
static struct gain step_gain_of(double meets_ratio, double factor,
                                size_t rounds)
{
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };
    double brisk_bps[ROUNDS];

    scale(calm_bps, ROUNDS, factor, brisk_bps);
    made_run_init(&made, false);
    made.plan.link.meets_ratio = meets_ratio;
    add_rounds(&made, 0, calm_bps, rounds);
    add_rounds(&made, 1, brisk_bps, rounds);
    made_run_end(&made, "complete");
    if (gain_compare(made_run_database(&made), 1, &made.plan, 1, &made.plan, 0,
                     &table, &fault))
        fail_msg("%s", fault.text);
    assert_int_equal(table.gains.count, 1);
    const struct gain gain = *(struct gain *) rows_at(&table.gains, 0);

    gain_table_clear(&table);
    made_run_clear(&made);
    return gain;
}

static struct gain step_gain(double factor, size_t rounds)
{
    return step_gain_of(0, factor, rounds);
}

/* The same step in two runs.  no_change_ratio: the plan's; 0: not said. */
static struct gain run_gain_of(double no_change_ratio, double factor,
                               size_t rounds, double margin_ratio)
{
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };
    double later_bps[ROUNDS];

    scale(calm_bps, ROUNDS, factor, later_bps);
    made_run_init(&made, false);
    made.plan.link.no_change_ratio = no_change_ratio;
    add_rounds(&made, 0, calm_bps, rounds);
    begin_second(&made);
    add_rounds(&made, 0, later_bps, rounds);
    made_run_end(&made, "complete");
    if (gain_compare(made_run_database(&made), 1, &made.plan, 2, &made.plan,
                     margin_ratio, &table, &fault))
        fail_msg("%s", fault.text);
    assert_int_equal(table.gains.count, 1);
    const struct gain gain = *(struct gain *) rows_at(&table.gains, 0);

    gain_table_clear(&table);
    made_run_clear(&made);
    return gain;
}

static struct gain run_gain(double factor, size_t rounds, double margin_ratio)
{
    return run_gain_of(0, factor, rounds, margin_ratio);
}

static void assert_verdict(const struct gain *gain, enum gain_verdict verdict)
{
    if (gain->verdict != verdict)
        fail_msg("%s (%.4f, %.4f to %.4f), expected %s",
                 gain_verdict_names[gain->verdict], gain->ratio.value,
                 gain->ratio.low, gain->ratio.high,
                 gain_verdict_names[verdict]);
}

/* --- step against step ---------------------------------------------------- */

static void a_step_that_keeps_its_promise_pays(void **state)
{
    const struct gain gain = step_gain(2.0, ROUNDS);

    (void) state;
    assert_verdict(&gain, GAIN_PAYS);
    assert_true(gain.is_over_rounds);
    assert_true(gain.ratio.low <= 2.05 && gain.ratio.high >= 1.95);
    assert_true(gain.promised.low < 2 && gain.promised.high > 2);
    /* 64 and 128 kBd, deviation a quarter of that: all twice as wide; the
     * sensitivities differ by 3 dB. */
    assert_near(gain.bandwidth_ratio, 2, 1e-9);
    assert_near(gain.margin_loss_db, 3, 1e-9);
}

static void a_step_that_is_faster_but_short_pays_less(void **state)
{
    const struct gain gain = step_gain(1.5, ROUNDS);

    (void) state;
    assert_verdict(&gain, GAIN_PAYS_LESS);
}

static void a_step_that_is_slower_does_not_pay(void **state)
{
    const struct gain gain = step_gain(0.8, ROUNDS);

    (void) state;
    assert_verdict(&gain, GAIN_DOES_NOT_PAY);
}

static void with_fewer_than_five_rounds_nothing_is_claimed(void **state)
{
    const struct gain gain = step_gain(2.0, 4);

    (void) state;
    assert_verdict(&gain, GAIN_NOT_CLAIMED);
    assert_false(gain.is_over_rounds);
    assert_near(gain.ratio.value, 2, 0.1);
    assert_non_null(strstr(gain.why, "4 rounds to compare, 5 are needed"));
}

static void what_hits_both_steps_of_a_round_alike_does_not_count(void **state)
{
    static const double drifting_bps[] = { 30000, 33000, 36000,
                                           39000, 42000, 45000 };
    double twice_bps[COUNT_OF(drifting_bps)];
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };

    (void) state;
    scale(drifting_bps, COUNT_OF(drifting_bps), 2, twice_bps);
    made_run_init(&made, false);
    add_rounds(&made, 0, drifting_bps, COUNT_OF(drifting_bps));
    add_rounds(&made, 1, twice_bps, COUNT_OF(drifting_bps));
    made_run_end(&made, "complete");
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 1,
                                  &made.plan, 0, &table, &fault),
                     0);
    const struct gain *gain = rows_at(&table.gains, 0);

    /* The levels drift by half; the ratio's interval is within 5 %. */
    assert_true(gain->ratio.high / gain->ratio.low < 1.05);
    gain_table_clear(&table);
    made_run_clear(&made);
}

static void the_finding_is_the_same_figure(void **state)
{
    struct made_run made;
    struct gain_table table;
    struct reduction reduction;
    struct fault fault = { 0 };
    double brisk_bps[ROUNDS];
    struct finding found = { .samples_count = 0 };

    (void) state;
    scale(calm_bps, ROUNDS, 1.9, brisk_bps);
    made_run_init(&made, false);
    add_rounds(&made, 0, calm_bps, ROUNDS);
    add_rounds(&made, 1, brisk_bps, ROUNDS);
    made_run_end(&made, "complete");
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 1,
                                  &made.plan, 0, &table, &fault),
                     0);
    reduction_init(&reduction, made_run_database(&made), &made.plan);
    assert_int_equal(reduction_run(&reduction, 1, &fault), 0);
    for (size_t i = 0; i < reduction.findings.count; i++) {
        const struct finding *finding = rows_at(&reduction.findings, i);

        if (strcmp(finding->measure, "gain") == 0)
            found = *finding;
    }
    const struct gain *gain = rows_at(&table.gains, 0);

    assert_true(found.value == gain->ratio.value);
    assert_true(found.low == gain->ratio.low);
    assert_true(found.high == gain->ratio.high);
    assert_int_equal(found.samples_count, ROUNDS);
    reduction_clear(&reduction);
    gain_table_clear(&table);
    made_run_clear(&made);
}

/* --- before and after ----------------------------------------------------- */

static void a_better_antenna_is_shown_over_rounds(void **state)
{
    const struct gain more = run_gain(1.2, ROUNDS, 0.05);
    const struct gain less = run_gain(0.8, ROUNDS, 0.05);

    (void) state;
    assert_verdict(&more, GAIN_MORE);
    assert_near(more.ratio.value, 1.2, 0.05);
    assert_true(isnan(more.promised.low));
    assert_verdict(&less, GAIN_LESS);
}

static void no_change_is_claimed_only_against_a_margin(void **state)
{
    const struct gain typed = run_gain(1.0, ROUNDS, 0.05);
    const struct gain narrow = run_gain(1.0, ROUNDS, 0.0005);

    (void) state;
    assert_verdict(&typed, GAIN_SAME);
    assert_true(typed.same < 0.05);
    assert_verdict(&narrow, GAIN_UNDECIDED);
}

static void the_plan_says_what_is_no_change_where_nothing_is_typed(void **state)
{
    const double untyped = (double) NAN;
    const struct gain preset = run_gain(1.03, ROUNDS, untyped);
    const struct gain narrow = run_gain_of(0.01, 1.03, ROUNDS, untyped);

    (void) state;
    assert_verdict(&preset, GAIN_SAME);
    assert_verdict(&narrow, GAIN_MORE);
}

static void the_plan_says_what_share_of_the_promise_is_enough(void **state)
{
    const struct gain preset = step_gain(1.5, ROUNDS);
    const struct gain lenient = step_gain_of(0.7, 1.5, ROUNDS);

    (void) state;
    assert_verdict(&preset, GAIN_PAYS_LESS);
    assert_verdict(&lenient, GAIN_PAYS);
}

static void
runs_of_too_few_rounds_show_the_difference_without_a_claim(void **state)
{
    const struct gain gain = run_gain(1.2, 2, 0.05);

    (void) state;
    assert_verdict(&gain, GAIN_NOT_CLAIMED);
    assert_near(gain.ratio.value, 1.2, 0.05);
    assert_true(gain.ratio.low > 1);
}

/* --- what is written ------------------------------------------------------ */

static char *written(const struct gain_table *table, bool is_json)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    struct fault fault = { 0 };

    assert_non_null(out);
    if (is_json)
        assert_int_equal(gain_write_json(table, out, &fault), 0);
    else
        gain_write_text(table, out);
    (void) fclose(out);
    return text;
}

static void text_and_json_tell_ratio_promise_price_and_verdict(void **state)
{
    static const char *const parts[] = {
        "step against step: run 1, Mill to quay",
        "calm -> brisk, mill > quay",
        " times (",
        "promised",
        "2 times the bandwidth, 3.0 dB less margin",
        "verdict   the faster step pays",
    };
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };
    double brisk_bps[ROUNDS];

    (void) state;
    scale(calm_bps, ROUNDS, 2, brisk_bps);
    made_run_init(&made, false);
    add_rounds(&made, 0, calm_bps, ROUNDS);
    add_rounds(&made, 1, brisk_bps, ROUNDS);
    made_run_end(&made, "complete");
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 1,
                                  &made.plan, 0, &table, &fault),
                     0);
    char *text = written(&table, false);
    char *json_text = written(&table, true);
    json_t *object = json_loads(json_text, JSON_REJECT_DUPLICATES, NULL);
    const json_t *gain = json_array_get(json_object_get(object, "gains"), 0);

    for (size_t i = 0; i < COUNT_OF(parts); i++) {
        if (!strstr(text, parts[i]))
            fail_msg("no '%s' in:\n%s", parts[i], text);
    }
    assert_string_equal(json_string_value(json_object_get(gain, "verdict")),
                        "pays");
    assert_int_equal(json_integer_value(json_object_get(
                         json_object_get(gain, "after"), "rounds")),
                     ROUNDS);
    assert_true(json_is_true(json_object_get(gain, "over_rounds")));
    json_decref(object);
    free(json_text);
    free(text);
    gain_table_clear(&table);
    made_run_clear(&made);
}

static void a_run_that_has_nothing_to_compare_says_so(void **state)
{
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };

    (void) state;
    made_run_init(&made, false);
    add_rounds(&made, 0, calm_bps, 2);
    made_run_end(&made, "complete");
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 1,
                                  &made.plan, 0, &table, &fault),
                     0);
    char *text = written(&table, false);

    assert_non_null(strstr(text, "Nothing to compare: run 1 has no download "
                                 "the same way on two steps that follow each "
                                 "other in the plan.\n"));
    free(text);
    gain_table_clear(&table);
    made_run_clear(&made);
}

static void a_run_of_one_step_is_for_another_run(void **state)
{
    struct made_run made;
    struct gain_table table;
    struct fault fault = { 0 };

    (void) state;
    made_run_init(&made, false);
    made.plan.step_count = 1;
    add_rounds(&made, 0, calm_bps, 2);
    made_run_end(&made, "complete");
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 1,
                                  &made.plan, 0, &table, &fault),
                     0);
    assert_string_equal(table.why, "run 1 has one step only, calm; 'bothends "
                                   "gain RUN 1' holds it against an earlier "
                                   "run");
    gain_table_clear(&table);
    made_run_clear(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_run_of_one_step_is_for_another_run),
        cmocka_unit_test(a_step_that_keeps_its_promise_pays),
        cmocka_unit_test(a_step_that_is_faster_but_short_pays_less),
        cmocka_unit_test(a_step_that_is_slower_does_not_pay),
        cmocka_unit_test(with_fewer_than_five_rounds_nothing_is_claimed),
        cmocka_unit_test(what_hits_both_steps_of_a_round_alike_does_not_count),
        cmocka_unit_test(the_finding_is_the_same_figure),
        cmocka_unit_test(a_better_antenna_is_shown_over_rounds),
        cmocka_unit_test(no_change_is_claimed_only_against_a_margin),
        cmocka_unit_test(
            the_plan_says_what_is_no_change_where_nothing_is_typed),
        cmocka_unit_test(the_plan_says_what_share_of_the_promise_is_enough),
        cmocka_unit_test(
            runs_of_too_few_rounds_show_the_difference_without_a_claim),
        cmocka_unit_test(text_and_json_tell_ratio_promise_price_and_verdict),
        cmocka_unit_test(a_run_that_has_nothing_to_compare_says_so),
    };

    return cmocka_run_group_tests_name("gain", tests, NULL, NULL);
}
