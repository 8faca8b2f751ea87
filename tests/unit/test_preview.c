/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"
#include "controller/plan/reader.h"

#include <bothends/cautions.h>
#include <jansson.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

/* The wide step needs 2 x 40 kHz + 160 kBd = 240 kHz (Carson's rule). */
static const char plan_format[] =
    "plan: Two steps\n"
    "on_air: %s\n"
    "link: {slot_limit: 250 ms, slot_overhead: 12 ms,"
    " limits: {bandwidth: 200 kHz}}\n"
    "steps:\n"
    "  - {name: narrow, symbol_rate: 40 kBd, levels: 2, deviation: 10 kHz}\n"
    "  - {name: wide, symbol_rate: 160 kBd, levels: 2, deviation: 40 kHz}\n"
    "ends:\n"
    "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2}\n"
    "  boathouse: {role: station, address: 192.0.2.20}\n"
    "controller_at: hilltop\n"
    "rounds: 3\n"
    "sequence:\n"
    "  - ping: {from: boathouse, to: hilltop, count: 5, gap: 1 s}\n"
    "  - together:\n"
    "      - download: {from: hilltop, to: boathouse, for: 20 s}\n"
    "      - ping: {from: boathouse, to: hilltop, for: 90 s, gap: 1 s}\n";

struct fixture {
    struct plan plan;
    struct preview preview;
};

static struct fixture *look(const char *on_air)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct plan_mistakes mistakes;
    char text[sizeof(plan_format) + 16];

    assert_non_null(fixture);
    (void) snprintf(text, sizeof(text), plan_format, on_air);
    if (plan_read_text(text, strlen(text), &fixture->plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "plan", &mistakes);
    assert_int_equal(mistakes.count, 0);
    preview_make(&fixture->plan, &fixture->preview);
    return fixture;
}

static void fixture_free(struct fixture *fixture)
{
    preview_clear(&fixture->preview);
    plan_clear(&fixture->plan);
    free(fixture);
}

static char *print(const struct preview *preview,
                   void (*printer)(FILE *, const struct preview *))
{
    char *text = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);

    assert_non_null(out);
    printer(out, preview);
    (void) fclose(out);
    return text;
}

static void a_step_wider_than_the_limit_is_not_run_on_the_air(void **state)
{
    struct fixture *fixture = look("yes");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_false(fixture->preview.steps[0].is_over_limit);
    assert_true(fixture->preview.steps[0].is_run);
    assert_true(fixture->preview.steps[1].is_over_limit);
    assert_false(fixture->preview.steps[1].is_run);
    assert_non_null(strstr(text, "wide: not run"));
    assert_non_null(strstr(text, "all steps: bandwidth estimated: Carson's "
                                 "rule, 2 x deviation + symbol rate"));
    assert_non_null(strstr(text, "wide: more than link.limits allow"));
    assert_non_null(strstr(text, "narrow: allowed by the bandwidth and symbol "
                                 "rate of link.limits"));
    assert_non_null(strstr(text, "emission: 60K0F1D (narrow), 240KF1D (wide)"));
    free(text);
    fixture_free(fixture);
}

static void on_the_bench_every_step_is_run(void **state)
{
    struct fixture *fixture = look("no");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_true(fixture->preview.steps[1].is_over_limit);
    assert_true(fixture->preview.steps[1].is_run);
    assert_null(strstr(text, ": not run"));
    assert_non_null(strstr(text, "for the bench only"));
    free(text);
    fixture_free(fixture);
}

static void a_group_takes_as_long_as_its_longest_exchange(void **state)
{
    struct fixture *fixture = look("yes");
    const struct preview *preview = &fixture->preview;

    (void) state;
    /* Probes at 0, 1 ... 89 s, and a second for the last answer. */
    assert_int_equal(preview_exchange_ns(preview, 2, 0), 90 * NS_PER_S);
    assert_int_equal(preview_group_ns(preview, 1, 0), 90 * NS_PER_S);
    /* Probes at 0 to 4 s. */
    assert_int_equal(preview_group_ns(preview, 0, 0), 5 * NS_PER_S);
    fixture_free(fixture);
}

static void the_total_counts_the_rounds_of_the_steps_that_are_run(void **state)
{
    struct fixture *fixture = look("yes");
    struct fixture *bench = look("no");

    (void) state;
    assert_int_equal(fixture->preview.planned_ns, UINT64_C(285) * NS_PER_S);
    assert_int_equal(bench->preview.planned_ns, UINT64_C(570) * NS_PER_S);
    assert_true(fixture->preview.longest_ns >= fixture->preview.planned_ns);
    fixture_free(fixture);
    fixture_free(bench);
}

static void the_screen_says_that_nothing_is_sent_and_what_to_mind(void **state)
{
    struct fixture *fixture = look("yes");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_non_null(strstr(text, "Nothing is sent by this command."));
    assert_non_null(strstr(text, "boathouse has no call"));
    assert_null(strstr(text, "hilltop has no call"));
    assert_non_null(strstr(text, "Never transmit without"));
    free(text);
    fixture_free(fixture);
}

static void assert_fits(const char *text, size_t columns)
{
    for (const char *line = text; *line; line += strcspn(line, "\n") + 1) {
        if (strcspn(line, "\n") > columns)
            fail_msg("%.*s", (int) strcspn(line, "\n"), line);
    }
}

/* 37 dBm less (-103 + 30) dBm. */
static void a_bench_test_is_told_what_to_put_between(void **state)
{
    static const char text[] =
        "plan: Bench\n"
        "on_air: %s\n"
        "link: {slot_limit: 250 ms, slot_overhead: 12 ms}\n"
        "steps: [{name: steady, symbol_rate: 40 kBd, levels: 2, sensitivity: "
        "-103 dBm}]\n"
        "ends:\n"
        "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2, power: 5.012 "
        "W}\n"
        "  boathouse: {role: station, call: Q1BOA, address: 192.0.2.20, power: "
        "1 W}\n"
        "controller_at: hilltop\n"
        "sequence: [ping: {from: boathouse, to: hilltop, count: 5}]\n";

    (void) state;
    for (int on_air = 0; on_air < 2; on_air++) {
        struct plan_mistakes mistakes;
        struct fixture fixture;
        char plan[sizeof(text) + 8];

        (void) snprintf(plan, sizeof(plan), text, on_air ? "yes" : "no");
        assert_int_equal(
            plan_read_text(plan, strlen(plan), &fixture.plan, &mistakes), 0);
        preview_make(&fixture.plan, &fixture.preview);
        char *screen = print(&fixture.preview, preview_print);

        const bool is_told =
            strstr(screen, "about 110 dB of attenuators from hilltop");

        assert_true(is_told == (on_air == 0));
        free(screen);
        preview_clear(&fixture.preview);
        plan_clear(&fixture.plan);
    }
}

static void the_tables_fit_on_eighty_columns(void **state)
{
    struct fixture *fixture = look("no");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_fits(text, 80);
    free(text);
    fixture_free(fixture);
}

/* Eight steps, a hub and 32 stations, eight downloads at once. */
static struct fixture *look_at_many(void)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct plan_mistakes mistakes;
    char *text = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);

    assert_non_null(fixture);
    assert_non_null(out);
    (void) fputs("plan: Many\n"
                 "link: {slot_limit: 250 ms, slot_overhead: 2 ms}\nsteps:\n",
                 out);
    for (int i = 0; i < 8; i++)
        (void) fprintf(out,
                       "  - {name: step%d, symbol_rate: %d kBd, levels: 2}\n",
                       i, 10 << i);
    (void) fputs("ends:\n  hub: {role: hub, call: Q0HUB, address: "
                 "192.0.2.1}\n",
                 out);
    for (int i = 1; i <= 32; i++)
        (void) fprintf(out,
                       "  st%d: {role: station, call: Q1S%c, address: "
                       "192.0.2.%d}\n",
                       i, 'A' + i % 26, i + 1);
    (void) fputs("controller_at: hub\nsequence:\n"
                 "  - download: {from: hub, to: st1, size: 50 kB}\n"
                 "  - together:\n",
                 out);
    for (int i = 1; i <= 8; i++)
        (void) fprintf(out,
                       "      - download: {from: hub, to: st%d, size: 50 "
                       "kB}\n",
                       i);
    (void) fclose(out);
    assert_int_equal(plan_read_text(text, bytes, &fixture->plan, &mistakes), 0);
    preview_make(&fixture->plan, &fixture->preview);
    free(text);
    return fixture;
}

static struct fixture *look_at(const char *text)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct plan_mistakes mistakes;

    assert_non_null(fixture);
    assert_int_equal(
        plan_read_text(text, strlen(text), &fixture->plan, &mistakes), 0);
    preview_make(&fixture->plan, &fixture->preview);
    return fixture;
}

static void what_is_said_too_loosely_has_nothing_worked_out(void **state)
{
    struct fixture *fixture =
        look_at("plan: The way\n"
                "steps:\n  - {name: as-it-is, usable_rate: 1.2..1000 kbit/s}\n"
                "ends:\n"
                "  near: {role: station, call: Q1NEA, address: 192.0.2.1}\n"
                "  far: {role: hub, agent: no, address: 192.0.2.2}\n"
                "controller_at: near\n"
                "sequence:\n  - ping: {from: near, to: far, count: 5}\n");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_non_null(strstr(text, "as-it-is        -      -      -          -"));
    assert_non_null(strstr(text, "is said too loosely to work anything out"));
    assert_non_null(strstr(text, "  as-it-is  Not known.\n"));
    assert_null(strstr(text, "e-mail"));
    free(text);
    fixture_free(fixture);
}

static void what_has_no_room_beside_stands_below(void **state)
{
    struct fixture *fixture = look_at(
        "plan: The way\n"
        "steps:\n  - {name: walk, usable_rate: 20 kbit/s}\n"
        "  - {name: trot, usable_rate: 50 kbit/s}\n"
        "ends:\n"
        "  lighthouse: {role: station, call: Q1LHS, address: 192.0.2.1}\n"
        "  boathouse: {role: hub, call: Q0BOA, address: 192.0.2.2}\n"
        "controller_at: lighthouse\n"
        "sequence:\n  - ping: {from: lighthouse, to: boathouse, count: 5, "
        "gap: about 300 ms, size: 200 B}\n");
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_fits(text, 80);
    assert_non_null(strstr(text, "\n              count 5, gap about 300 ms, "
                                 "size 200 B\n"));
    free(text);
    fixture_free(fixture);
}

static void many_steps_and_ends_are_told_in_few_words(void **state)
{
    struct fixture *fixture = look_at_many();
    char *text = print(&fixture->preview, preview_print);

    (void) state;
    assert_fits(text, 80);
    assert_non_null(strstr(text, "and 25 more"));
    assert_non_null(strstr(text, "and 7 more like it, of other ends"));
    assert_non_null(strstr(text, " 33 sites"));
    assert_non_null(strstr(text, "  all steps: held by the air"));
    free(text);
    fixture_free(fixture);
}

/* Stations alike share alike: eight at once take eight times as long, the
 * opening apart. */
static void downloads_at_once_share_the_air(void **state)
{
    struct fixture *fixture = look_at_many();

    (void) state;
    for (size_t step = 0; step < 8; step++) {
        const double alone = preview_exchange_bps(&fixture->preview, 0, step);

        assert_true(alone > 0);
        for (size_t i = 1; i <= 8; i++) {
            const double shared =
                preview_exchange_bps(&fixture->preview, i, step);

            /* Each of eight answers costs a transmission: a little less. */
            assert_true(shared < alone / 8 * 1.001);
            assert_true(shared > alone / 8 * 0.7);
            assert_true(preview_exchange_ns(&fixture->preview, i, step)
                        > preview_exchange_ns(&fixture->preview, 0, step));
        }
    }
    fixture_free(fixture);
}

/* A window of 3 kB is two segments of 1500 B a round. */
static void what_holds_a_download_back_is_said(void **state)
{
    static const char text[] =
        "plan: Held\n"
        "link: {slot_limit: 250 ms, slot_overhead: 12 ms, window: 3 kB}\n"
        "steps: [{name: steady, symbol_rate: 400 kBd, levels: 2}]\n"
        "ends:\n"
        "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2}\n"
        "  boathouse: {role: station, call: Q1BOA, address: 192.0.2.20}\n"
        "controller_at: hilltop\n"
        "sequence: [ping: {from: boathouse, to: hilltop, count: 5}]\n";
    struct plan_mistakes mistakes;
    struct fixture fixture;

    (void) state;
    assert_int_equal(
        plan_read_text(text, strlen(text), &fixture.plan, &mistakes), 0);
    preview_make(&fixture.plan, &fixture.preview);
    char *screen = print(&fixture.preview, preview_print);
    char *programs = print(&fixture.preview, preview_print_json);
    json_t *all = json_loads(programs, JSON_REJECT_DUPLICATES, NULL);
    const json_t *step = json_array_get(json_object_get(all, "steps"), 0);
    const json_t *held = json_object_get(step, "held_by");

    assert_non_null(strstr(screen, "  window\n"));
    assert_non_null(strstr(screen, "steady: held by the window"));
    assert_string_equal(json_string_value(json_object_get(held, "to_station")),
                        "window");
    assert_string_equal(json_string_value(json_object_get(held, "to_hub")),
                        "window");
    assert_true(json_number_value(json_object_get(
                    json_object_get(step, "likely_goodput"), "to_station_bps"))
                > 0);
    assert_true(json_number_value(json_object_get(
                    json_object_get(step, "acknowledgements"), "segments_each"))
                >= 1);
    json_decref(all);
    free(programs);
    free(screen);
    preview_clear(&fixture.preview);
    plan_clear(&fixture.plan);
}

static void programs_get_the_same_as_json(void **state)
{
    struct fixture *fixture = look("yes");
    char *text = print(&fixture->preview, preview_print_json);
    json_error_t error;
    json_t *all = json_loads(text, JSON_REJECT_DUPLICATES, &error);

    (void) state;
    assert_non_null(all);
    assert_int_equal(json_integer_value(json_object_get(all, "planned_ns")),
                     UINT64_C(285) * NS_PER_S);
    const json_t *wide = json_array_get(json_object_get(all, "steps"), 1);
    assert_string_equal(json_string_value(json_object_get(wide, "name")),
                        "wide");
    assert_true(json_is_false(json_object_get(wide, "is_run")));
    assert_true(json_number_value(json_object_get(wide, "bandwidth_hz"))
                == 240e3);
    assert_true(json_is_false(json_object_get(wide, "is_allowed")));
    assert_true(json_is_true(json_object_get(
        json_array_get(json_object_get(all, "steps"), 0), "is_allowed")));
    const json_t *trips = json_object_get(wide, "round_trips");
    assert_int_equal(json_array_size(trips), 3);
    /* A larger packet takes longer; the wait is the same. */
    assert_true(json_number_value(json_array_get(
                    json_object_get(json_array_get(trips, 2), "least_ns"), 0))
                > json_number_value(json_array_get(
                    json_object_get(json_array_get(trips, 0), "least_ns"), 0)));
    assert_true(
        json_equal(json_object_get(json_array_get(trips, 2), "spread_ns"),
                   json_object_get(json_array_get(trips, 0), "spread_ns")));
    const json_t *groups = json_object_get(all, "sequence");
    assert_int_equal(json_array_size(groups), 2);
    assert_int_equal(json_array_size(json_array_get(groups, 1)), 2);
    size_t caution_count = 0;
    while (cautions[caution_count])
        caution_count++;
    assert_int_equal(json_array_size(json_object_get(all, "cautions")),
                     caution_count);
    json_decref(all);
    free(text);
    fixture_free(fixture);
}

/* How a plan whose far end has no agent is shown. */
static char *print_one_ended(const char *set_steps)
{
    struct fixture fixture = { 0 };
    struct plan_mistakes mistakes;
    char text[600];

    (void) snprintf(
        text, sizeof(text),
        "plan: One end\n"
        "steps: [{name: slow, usable_rate: 20 kbit/s}, {name: fast, "
        "usable_rate: 40 kbit/s}]\n"
        "ends:\n"
        "  tent: {role: station, call: Q1TEN, address: 192.0.2.20}\n"
        "  mast: {role: hub, agent: no, landmark: far radio, address: "
        "192.0.2.1}\n"
        "  hut: {role: hub, agent: no, address: 192.0.2.7}\n"
        "controller_at: tent\n"
        "sequence: [ping: {from: tent, to: hut, count: 3}]\n"
        "set_steps: %s\n",
        set_steps);
    assert_int_equal(
        plan_read_text(text, strlen(text), &fixture.plan, &mistakes), 0);
    preview_make(&fixture.plan, &fixture.preview);
    char *screen = print(&fixture.preview, preview_print);
    preview_clear(&fixture.preview);
    plan_clear(&fixture.plan);
    return screen;
}

static void ends_without_agent_are_shown_as_such(void **state)
{
    char *by_hand = print_one_ended("by hand");
    char *by_agent = print_one_ended("by agent");

    (void) state;
    assert_non_null(strstr(by_hand, "1 hub, 1 station, 2 steps"));
    assert_non_null(
        strstr(by_hand, "192.0.2.1, no agent, landmark: far radio"));
    assert_null(strstr(by_hand, "hut has no call"));
    assert_null(strstr(by_hand, "no agent that could set its radio"));
    assert_non_null(strstr(by_agent, "hut has no agent that could set its"));
    assert_null(strstr(by_agent, "mast has no agent that could set its"));
    free(by_hand);
    free(by_agent);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_step_wider_than_the_limit_is_not_run_on_the_air),
        cmocka_unit_test(on_the_bench_every_step_is_run),
        cmocka_unit_test(a_group_takes_as_long_as_its_longest_exchange),
        cmocka_unit_test(the_total_counts_the_rounds_of_the_steps_that_are_run),
        cmocka_unit_test(the_screen_says_that_nothing_is_sent_and_what_to_mind),
        cmocka_unit_test(a_bench_test_is_told_what_to_put_between),
        cmocka_unit_test(the_tables_fit_on_eighty_columns),
        cmocka_unit_test(what_is_said_too_loosely_has_nothing_worked_out),
        cmocka_unit_test(what_has_no_room_beside_stands_below),
        cmocka_unit_test(many_steps_and_ends_are_told_in_few_words),
        cmocka_unit_test(downloads_at_once_share_the_air),
        cmocka_unit_test(what_holds_a_download_back_is_said),
        cmocka_unit_test(programs_get_the_same_as_json),
        cmocka_unit_test(ends_without_agent_are_shown_as_such),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
