/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reader.h"
#include "controller/rehearsal/timeline.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* A plan whose hub is not the first end: in the air it is. */
#define PLAN_HEAD                                                              \
    "plan: What comes and goes\n"                                              \
    "link: {slot_overhead: 10 ms, slot_limit: 200 ms}\n"                       \
    "steps: [{name: slow, usable_rate: 20 kbit/s},\n"                          \
    "        {name: quick, usable_rate: 60 kbit/s}]\n"                         \
    "ends:\n"                                                                  \
    "  skerry: {role: station, address: 10.71.0.20}\n"                         \
    "  harbour: {role: hub, address: 10.71.0.2}\n"                             \
    "  holm: {role: station, address: 10.71.0.21}\n"                           \
    "controller_at: harbour\n"                                                 \
    "sequence: [ping: {from: skerry, to: harbour, count: 4}]\n"                \
    "practice:\n"                                                              \
    "  loss: {chance: 1 %}\n"                                                  \
    "  reordering: {chance: 2 %, by: 70 ms}\n"

enum {
    HARBOUR,
    SKERRY,
    HOLM
};

#define BEGAN_NS (1000 * NS_PER_S) /* the air's clock does not start at 0 */

struct fixture {
    struct plan plan;
    struct air *air;
    struct timeline *timeline;
    uint64_t other_ns; /* that others transmitted */
    FILE *told;        /* NULL: not asked for */
    size_t stepped_count, stepped_end;
    int64_t stepped_ns;
};

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    (void) owner;
    (void) packet;
    (void) fate;
}

static void on_other(void *owner, const struct air_other *other)
{
    struct fixture *fixture = owner;

    fixture->other_ns += other->ended_ns - other->began_ns;
}

static void on_clock_step(void *owner, size_t end, int64_t by_ns)
{
    struct fixture *fixture = owner;

    fixture->stepped_count++;
    fixture->stepped_end = end;
    fixture->stepped_ns += by_ns;
}

static void on_event(void *owner, uint64_t now_ns, unsigned number,
                     bool is_beginning, const struct plan_event *event)
{
    const struct fixture *fixture = owner;

    if (fixture->told)
        (void) fprintf(fixture->told, "%g %u %s %s\n",
                       (double) (now_ns - BEGAN_NS) / 1e9, number,
                       is_beginning ? "begins" : "ends",
                       plan_event_words[event->what]);
}

static void begin(struct fixture *fixture, const char *events)
{
    const struct air_listener listener = { .on_fate = on_fate,
                                           .on_other = on_other,
                                           .owner = fixture };
    const struct timeline_listener clocks = { .on_clock_step = on_clock_step,
                                              .on_event = on_event,
                                              .owner = fixture };
    struct plan_mistakes mistakes;
    struct air_config config;
    struct fault fault = { 0 };
    char text[4096];

    memset(fixture, 0, sizeof(*fixture));
    (void) snprintf(text, sizeof(text), "%s%s", PLAN_HEAD, events);
    if (plan_read_text(text, strlen(text), &fixture->plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "plan", &mistakes);
    assert_int_equal(mistakes.count, 0);
    assert_int_equal(air_config_from_plan(&fixture->plan, &config, &fault), 0);
    fixture->air = air_new(&config, &listener, BEGAN_NS);
    fixture->timeline = timeline_new(&fixture->plan, BEGAN_NS, &clocks);
}

static void end(struct fixture *fixture)
{
    timeline_free(fixture->timeline);
    air_free(fixture->air);
    plan_clear(&fixture->plan);
}

/* Lets that second of the practice link come. */
static void go_to(struct fixture *fixture, double second)
{
    const uint64_t at_ns = BEGAN_NS + (uint64_t) (second * 1e9);

    while (timeline_next_ns(fixture->timeline) <= at_ns)
        timeline_apply(fixture->timeline, fixture->air,
                       timeline_next_ns(fixture->timeline));
    air_advance(fixture->air, at_ns);
}

static unsigned tell(struct fixture *fixture, double second, const char *words)
{
    struct fault fault = { 0 };
    unsigned number = 0;

    if (timeline_begin(fixture->timeline, fixture->air,
                       BEGAN_NS + (uint64_t) (second * 1e9), words, &number,
                       &fault)
        != 0)
        fail_msg("%s: %s", words, fault.text);
    return number;
}

static const struct faults_config *faults(const struct fixture *fixture,
                                          size_t from, size_t to)
{
    return air_faults(fixture->air, from, to);
}

static void an_event_begins_and_ends_at_its_times(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 20 s, for: 5 s, what: outage}\n");
    assert_true(timeline_next_ns(fixture.timeline) == BEGAN_NS + 20 * NS_PER_S);
    go_to(&fixture, 19.999);
    assert_false(faults(&fixture, HARBOUR, SKERRY)->is_out);
    go_to(&fixture, 20);
    assert_true(faults(&fixture, HARBOUR, SKERRY)->is_out);
    assert_true(faults(&fixture, HOLM, SKERRY)->is_out);
    assert_true(timeline_next_ns(fixture.timeline) == BEGAN_NS + 25 * NS_PER_S);
    go_to(&fixture, 24.999);
    assert_true(faults(&fixture, SKERRY, HARBOUR)->is_out);
    go_to(&fixture, 25);
    assert_false(faults(&fixture, SKERRY, HARBOUR)->is_out);
    assert_true(timeline_next_ns(fixture.timeline) == AIR_NEVER);
    end(&fixture);
}

static void an_event_hits_the_directions_that_it_names(void **state)
{
    static const struct {
        const char *keys;
        bool is_hit[3][3]; /* from, to: harbour, skerry, holm */
    } cases[] = {
        { "", { { 0, 1, 1 }, { 1, 0, 1 }, { 1, 1, 0 } } },
        { "from=skerry", { { 0, 0, 0 }, { 1, 0, 1 }, { 0, 0, 0 } } },
        { "to=skerry", { { 0, 1, 0 }, { 0, 0, 0 }, { 0, 1, 0 } } },
        { "from=harbour to=holm", { { 0, 0, 1 }, { 0, 0, 0 }, { 0, 0, 0 } } },
        { "end=holm", { { 0, 0, 1 }, { 0, 0, 1 }, { 1, 1, 0 } } },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct fixture fixture;
        char words[64];

        begin(&fixture, "");
        (void) snprintf(words, sizeof(words), "corruption chance=40%% %s",
                        cases[i].keys);
        (void) tell(&fixture, 1, words);
        for (size_t from = 0; from < 3; from++) {
            for (size_t to = 0; to < 3; to++)
                assert_true(
                    (faults(&fixture, from, to)->corruption_ratio == 0.4)
                    == cases[i].is_hit[from][to]);
        }
        end(&fixture);
    }
}

static void each_kind_sets_what_it_is_called_and_leaves_the_rest(void **state)
{
    struct fixture fixture;
    const struct faults_config *now;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {what: loss, chance: 10 %, burst: 3}\n"
                    "    - {what: duplicates, chance: 11 %}\n"
                    "    - {what: reordering, chance: 12 %}\n"
                    "    - {what: corruption, chance: 13 %}\n"
                    "    - {what: fading, chance: 14 %, period: 9 s}\n"
                    "    - {at: 1 s, what: reordering, chance: 1, by: 5 ms}\n");
    go_to(&fixture, 0);
    now = faults(&fixture, SKERRY, HARBOUR);
    assert_true(now->loss_ratio == 0.1 && now->loss_burst == 3);
    assert_true(now->duplicates_ratio == 0.11);
    assert_true(now->reordering_ratio == 0.12);
    assert_true(now->reordering_by_ns == 70 * NS_PER_MS); /* the plan's */
    assert_true(now->corruption_ratio == 0.13);
    assert_true(now->fading_ratio == 0.14);
    assert_true(now->fading_period_ns == 9 * NS_PER_S);
    assert_false(now->is_out);
    go_to(&fixture, 1);
    now = faults(&fixture, SKERRY, HARBOUR);
    assert_true(now->reordering_by_ns == 5 * NS_PER_MS);
    assert_true(now->loss_ratio == 0.1 && now->loss_burst == 3);
    end(&fixture);
}

static void of_several_the_last_named_counts_until_it_ends(void **state)
{
    struct fixture fixture;

    (void) state;
    /* The last named one begins first. */
    begin(&fixture,
          "  events:\n"
          "    - {at: 2 s, for: 10 s, what: loss, chance: 20 %, burst: 2,\n"
          "       within: 80 %, between: 5 %}\n"
          "    - {at: 1 s, for: 5 s, what: loss, chance: 30 %, to: holm}\n");
    go_to(&fixture, 0.5);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.01);
    go_to(&fixture, 3);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.3);
    assert_true(isnan(faults(&fixture, HARBOUR, HOLM)->loss_burst));
    assert_true(faults(&fixture, HARBOUR, SKERRY)->loss_ratio == 0.2);
    const unsigned number =
        tell(&fixture, 4, "loss chance=90% from=harbour for=4s");
    assert_int_equal(number, 3);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.9);
    go_to(&fixture, 7); /* the plan's second one is over, unnoticed */
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.9);
    go_to(&fixture, 8);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.2);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_burst == 2);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_within_ratio == 0.8);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_between_ratio == 0.05);
    go_to(&fixture, 12);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_ratio == 0.01);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_within_ratio == 1);
    assert_true(faults(&fixture, HARBOUR, HOLM)->loss_between_ratio == 0);
    end(&fixture);
}

static uint64_t registered_count(const struct fixture *fixture)
{
    struct air_reading reading;

    air_read(fixture->air, HARBOUR, &reading);
    return reading.registered_count;
}

static void a_station_is_away_as_long_as_any_absence_holds(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 1 s, for: 4 s, what: away, end: skerry}\n"
                    "    - {at: 2 s, for: 1 s, what: away, end: skerry}\n"
                    "    - {at: 4 s, for: 4 s, what: away, end: holm}\n");
    assert_int_equal(registered_count(&fixture), 2);
    go_to(&fixture, 1);
    assert_int_equal(registered_count(&fixture), 1);
    go_to(&fixture, 3);
    assert_int_equal(registered_count(&fixture), 1);
    go_to(&fixture, 4);
    assert_int_equal(registered_count(&fixture), 0);
    go_to(&fixture, 5);
    assert_int_equal(registered_count(&fixture), 1);
    go_to(&fixture, 8);
    assert_int_equal(registered_count(&fixture), 2);
    end(&fixture);
}

static size_t step_of(const struct fixture *fixture, size_t radio)
{
    struct air_reading reading;

    air_read(fixture->air, radio, &reading);
    return reading.step;
}

static void
a_radio_stays_on_its_step_and_then_goes_where_it_was_told(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture,
          "  events:\n"
          "    - {at: 1 s, for: 9 s, what: step, end: skerry, step: quick}\n"
          "    - {at: 2 s, for: 2 s, what: step, end: skerry, step: slow}\n");
    go_to(&fixture, 1);
    assert_int_equal(step_of(&fixture, SKERRY), 1);
    assert_int_equal(step_of(&fixture, HARBOUR), 0);
    go_to(&fixture, 2);
    assert_int_equal(step_of(&fixture, SKERRY), 0);
    go_to(&fixture, 4);
    assert_int_equal(step_of(&fixture, SKERRY), 1);
    air_set_step(fixture.air, BEGAN_NS + 5 * NS_PER_S, SKERRY, 0);
    assert_int_equal(step_of(&fixture, SKERRY), 1);
    go_to(&fixture, 10);
    assert_int_equal(step_of(&fixture, SKERRY), 0);
    end(&fixture);
}

static void others_transmit_for_their_share_while_the_event_holds(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 100 s, for: 900 s, what: other traffic, "
                    "share: 30 %, length: 80 ms}\n"
                    "    - {at: 500 s, for: 1 s, what: other traffic, "
                    "share: 0 %}\n");
    go_to(&fixture, 100);
    assert_true(fixture.other_ns == 0);
    go_to(&fixture, 1000);
    /* 3375 exponential lengths: 5 standard errors are 9 % of the mean; more
     * where they wait for each other. */
    assert_true(fabs((double) fixture.other_ns / 900e9 - 0.3) < 0.03);
    const uint64_t until_ns = fixture.other_ns;
    go_to(&fixture, 1001); /* the one under way ends */
    go_to(&fixture, 1100);
    assert_true(fixture.other_ns <= until_ns + NS_PER_S);
    end(&fixture);
}

static void a_clock_step_is_told_once_and_is_over(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 3 s, what: clock step, end: holm, by: -2 s}\n");
    go_to(&fixture, 2.9);
    assert_int_equal(fixture.stepped_count, 0);
    go_to(&fixture, 9);
    assert_int_equal(fixture.stepped_count, 1);
    assert_int_equal(fixture.stepped_end, HOLM);
    assert_true(fixture.stepped_ns == -2 * (int64_t) NS_PER_S);
    assert_true(timeline_end(fixture.timeline, fixture.air,
                             BEGAN_NS + 10 * NS_PER_S, 1, &fault)
                < 0);
    (void) tell(&fixture, 11, "clock step end=harbour by=2500ms");
    assert_int_equal(fixture.stepped_count, 2);
    assert_int_equal(fixture.stepped_end, HARBOUR);
    assert_true(timeline_next_ns(fixture.timeline) == AIR_NEVER);
    end(&fixture);
}

static void without_computers_a_clock_step_is_refused_when_told(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };
    unsigned number = 0;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 3 s, what: clock step, end: holm, by: -2 s}\n");
    timeline_free(fixture.timeline);
    fixture.timeline = timeline_new(&fixture.plan, BEGAN_NS, NULL);
    go_to(&fixture, 9);
    assert_true(timeline_begin(fixture.timeline, fixture.air,
                               BEGAN_NS + 9 * NS_PER_S,
                               "clock step end=holm by=1s", &number, &fault)
                < 0);
    assert_non_null(strstr(fault.text, "no computers"));
    end(&fixture);
}

static void what_was_told_can_be_taken_back_by_its_number(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 30 s, what: outage}\n");
    const unsigned one = tell(&fixture, 1, "duplicates chance=50%");
    const unsigned other = tell(&fixture, 2, "duplicates chance=70%");
    assert_true(one == 2 && other == 3);
    assert_int_equal(timeline_end(fixture.timeline, fixture.air,
                                  BEGAN_NS + 3 * NS_PER_S, one, &fault),
                     0);
    assert_true(faults(&fixture, HOLM, HARBOUR)->duplicates_ratio == 0.7);
    assert_int_equal(timeline_end(fixture.timeline, fixture.air,
                                  BEGAN_NS + 4 * NS_PER_S, other, &fault),
                     0);
    assert_true(faults(&fixture, HOLM, HARBOUR)->duplicates_ratio == 0);
    assert_true(timeline_end(fixture.timeline, fixture.air,
                             BEGAN_NS + 5 * NS_PER_S, other, &fault)
                < 0);
    assert_string_equal(fault.text,
                        "event: found 3, expected the number of one that waits "
                        "or holds");
    fault.code = 0;
    /* One of the plan that is still to come. */
    assert_int_equal(timeline_end(fixture.timeline, fixture.air,
                                  BEGAN_NS + 6 * NS_PER_S, 1, &fault),
                     0);
    assert_true(timeline_next_ns(fixture.timeline) == AIR_NEVER);
    go_to(&fixture, 40);
    assert_false(faults(&fixture, HOLM, HARBOUR)->is_out);
    end(&fixture);
}

static void wrong_words_change_nothing(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };
    unsigned number = 77;

    (void) state;
    begin(&fixture, "");
    assert_true(timeline_begin(fixture.timeline, fixture.air,
                               BEGAN_NS + NS_PER_S, "loss chance=90% burst=2",
                               &number, &fault)
                < 0);
    assert_non_null(strstr(fault.text, "at most 66.7 %"));
    assert_int_equal(number, 77);
    assert_true(faults(&fixture, HOLM, HARBOUR)->loss_ratio == 0.01);
    assert_int_equal(tell(&fixture, 2, "outage for=1s"), 1);
    end(&fixture);
}

static void events_without_end_are_refused_above_a_limit(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };
    unsigned number;

    (void) state;
    begin(&fixture, "");
    for (size_t i = 0; i < TIMELINE_EVENTS_MAX; i++)
        (void) tell(&fixture, 1, "outage");
    assert_true(timeline_begin(fixture.timeline, fixture.air,
                               BEGAN_NS + NS_PER_S, "outage", &number, &fault)
                < 0);
    assert_non_null(strstr(fault.text, "found 256"));
    end(&fixture);
}

static void what_holds_can_be_listed(void **state)
{
    struct fixture fixture;
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);

    (void) state;
    assert_non_null(out);
    begin(&fixture, "  events:\n"
                    "    - {at: 1 s, for: 1 s, what: outage}\n"
                    "    - {what: loss, chance: 10 %, burst: 3, from: skerry}\n"
                    "    - {at: 9 s, what: corruption, chance: 1 %}\n");
    go_to(&fixture, 5);
    (void) tell(&fixture, 6, "away end=holm for=90s");
    timeline_print(fixture.timeline, out);
    (void) fclose(out);
    assert_string_equal(text, "2 loss from=skerry chance=10% burst=3\n"
                              "4 away for=90s end=holm\n");
    free(text);
    end(&fixture);
}

static void beginnings_and_ends_are_told(void **state)
{
    struct fixture fixture;
    struct fault fault = { 0 };
    char *text = NULL;
    size_t size = 0;

    (void) state;
    begin(&fixture, "  events:\n"
                    "    - {at: 1 s, for: 2 s, what: outage}\n"
                    "    - {at: 4 s, what: clock step, end: holm, by: 1 s}\n"
                    "    - {at: 9 s, what: corruption, chance: 1 %}\n");
    fixture.told = open_memstream(&text, &size);
    assert_non_null(fixture.told);
    const unsigned number = tell(&fixture, 0.5, "away end=holm");
    go_to(&fixture, 6);
    assert_int_equal(timeline_end(fixture.timeline, fixture.air,
                                  BEGAN_NS + 7 * NS_PER_S, number, &fault),
                     0);
    assert_int_equal(timeline_end(fixture.timeline, fixture.air,
                                  BEGAN_NS + 8 * NS_PER_S, 3, &fault),
                     0); /* it has not begun, and never does */
    (void) fclose(fixture.told);
    assert_string_equal(text, "0.5 4 begins away\n"
                              "1 1 begins outage\n"
                              "3 1 ends outage\n"
                              "4 2 begins clock step\n"
                              "7 4 ends away\n");
    free(text);
    end(&fixture);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_event_begins_and_ends_at_its_times),
        cmocka_unit_test(an_event_hits_the_directions_that_it_names),
        cmocka_unit_test(each_kind_sets_what_it_is_called_and_leaves_the_rest),
        cmocka_unit_test(of_several_the_last_named_counts_until_it_ends),
        cmocka_unit_test(a_station_is_away_as_long_as_any_absence_holds),
        cmocka_unit_test(
            a_radio_stays_on_its_step_and_then_goes_where_it_was_told),
        cmocka_unit_test(others_transmit_for_their_share_while_the_event_holds),
        cmocka_unit_test(a_clock_step_is_told_once_and_is_over),
        cmocka_unit_test(without_computers_a_clock_step_is_refused_when_told),
        cmocka_unit_test(what_was_told_can_be_taken_back_by_its_number),
        cmocka_unit_test(wrong_words_change_nothing),
        cmocka_unit_test(events_without_end_are_refused_above_a_limit),
        cmocka_unit_test(what_holds_can_be_listed),
        cmocka_unit_test(beginnings_and_ends_are_told),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
