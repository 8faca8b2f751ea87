/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/event.h"
#include "controller/plan/reader.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* The same rules in a plan are in fixtures/plan/practice-events-... */

static const char plan_text[] =
    "plan: What comes and goes\n"
    "link: {slot_overhead: 10 ms, slot_limit: 200 ms}\n"
    "steps: [{name: slow, usable_rate: 20 kbit/s},\n"
    "        {name: quick, usable_rate: 60 kbit/s}]\n"
    "ends:\n"
    "  harbour: {role: hub, address: 10.71.0.2}\n"
    "  skerry: {role: station, address: 10.71.0.20}\n"
    "  radio: {role: station, landmark: far radio, agent: no,\n"
    "          address: 10.71.0.21}\n"
    "controller_at: harbour\n"
    "sequence: [ping: {from: skerry, to: harbour, count: 4}]\n";

static int set_up(void **state)
{
    struct plan *plan = calloc(1, sizeof(*plan));
    struct plan_mistakes mistakes;

    assert_non_null(plan);
    if (plan_read_text(plan_text, strlen(plan_text), plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "plan", &mistakes);
    assert_int_equal(mistakes.count, 0);
    *state = plan;
    return 0;
}

static int tear_down(void **state)
{
    plan_clear(*state);
    free(*state);
    return 0;
}

static void read_right(const struct plan *plan, const char *words,
                       struct plan_event *ret_event)
{
    struct fault fault = { 0 };

    if (event_read(plan, words, 7, ret_event, &fault) != 0)
        fail_msg("%s: %s", words, fault.text);
}

static void words_become_the_event_that_a_plan_would_state(void **state)
{
    struct plan_event event;

    read_right(*state, "loss chance=10% from=skerry burst=2.5 for=20s", &event);
    assert_int_equal(event.what, EVENT_LOSS);
    assert_true(event.at_ns == 7 && event.for_ns == 20 * NS_PER_S);
    assert_true(event.chance_ratio == 0.1 && event.burst == 2.5);
    assert_string_equal(event.from, "skerry");
    assert_string_equal(event.to, "");
    assert_true(event.within_ratio == 1 && event.between_ratio == 0);
    read_right(*state, "loss chance=10% burst=40 within=60% between=1/50",
               &event);
    assert_true(event.within_ratio == 0.6 && event.between_ratio == 0.02);
    read_right(*state, "  other traffic   share=1/4  length=2s ", &event);
    assert_int_equal(event.what, EVENT_OTHER_TRAFFIC);
    assert_true(event.share_ratio == 0.25);
    assert_true(event.length_ns == 2 * NS_PER_S);
    read_right(*state, "clock step end=harbour by=-1500ms", &event);
    assert_int_equal(event.what, EVENT_CLOCK_STEP);
    assert_true(event.by_ns == -1500 * (int64_t) NS_PER_MS);
    read_right(*state, "outage", &event);
    assert_int_equal(event.what, EVENT_OUTAGE);
    assert_true(event.for_ns == 0 && isnan(event.chance_ratio));
    read_right(*state, "step end=skerry step=quick", &event);
    assert_string_equal(event.step, "quick");
}

static void wrong_words_are_refused_with_what_would_be_right(void **state)
{
    static const struct {
        const char *words, *says;
    } cases[] = {
        { "", "event: found nothing, expected loss, duplicates, " },
        { "   ", "event: found nothing, expected loss, " },
        { "chance=10%", "event: found nothing, expected loss, " },
        { "storm", "event: found 'storm', expected loss, " },
        { "outage 5s", "event: found 'outage 5s', expected loss, " },
        { "loss", "chance: found 'loss' without chance, expected a share" },
        { "loss chance=10", "chance: found '10', expected a share from 0 %" },
        { "loss chance=10% chance=2%", "chance: found it twice, expected " },
        { "loss chance=", "chance: found '', expected a share" },
        { "loss chance=10% skerry",
          "loss: found 'skerry', expected KEY=VALUE of for, end, from, to, "
          "chance, burst, within or between" },
        { "loss chance=10% at=5s", "loss: found 'at=5s', expected KEY=VALUE" },
        { "loss chance=10% what=outage", "loss: found 'what=outage', expec" },
        { "loss chance=10% =3", "loss: found '=3', expected KEY=VALUE" },
        { "loss chance=10% colour=red", "loss: found 'colour=red', expected" },
        { "loss chance=80% burst=3",
          "chance: found 80.0 % with burst 3, expected at most 75.0 %" },
        { "loss chance=40% burst=3 within=50%",
          "chance: found 40.0 % with burst 3, within 50.0 %, expected at most "
          "37.5 %" },
        { "loss chance=80% burst=3 between=10%",
          "chance: found 80.0 % with burst 3, expected at most 77.5 % (at "
          "least one frame lies between two bad periods)" },
        { "loss chance=5% burst=3 between=10%",
          "chance: found 5.00 % with between 10.0 %, expected at least 10.0 "
          "%" },
        { "loss chance=10% burst=3 within=10% between=10%",
          "between: found 10.0 % with within 10.0 %, expected less than" },
        { "loss chance=10% within=60%",
          "within: found it without burst, expected burst too" },
        { "loss chance=10% between=1%",
          "between: found it without burst, expected burst too" },
        { "corruption chance=10% within=60%",
          "within: found 'corruption' with within, expected for, end," },
        { "outage chance=3%",
          "chance: found 'outage' with chance, expected for, end, from or to" },
        { "outage from=skery", "from: found 'skery', expected 'skerry' per" },
        { "outage from=radio",
          "from: found 'radio', expected the name of an end: harbour or "
          "skerry" },
        { "away end=harbour", "end: found 'harbour', expected a station" },
        { "step end=skerry step=quik",
          "step: found 'quik', expected the name of a step: slow or quick" },
        { "clock step end=skerry by=2s for=3s",
          "for: found 'clock step' with for, expected end or by" },
        { "fading chance=3%", "period: found 'fading' without period, expe" },
    };

    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct plan_event event = { .what = -1 };
        struct fault fault = { 0 };

        if (event_read(*state, cases[i].words, 0, &event, &fault) == 0
            || strncmp(fault.text, cases[i].says, strlen(cases[i].says)) != 0)
            fail_msg("%s: %s", cases[i].words, fault.text);
        assert_int_equal(event.what, -1);
    }
}

static void a_text_without_end_is_refused(void **state)
{
    struct plan_event event;
    struct fault fault = { 0 };
    char words[4000];

    memset(words, 'x', sizeof(words) - 1);
    words[sizeof(words) - 1] = '\0';
    assert_true(event_read(*state, words, 0, &event, &fault) < 0);
    assert_non_null(strstr(fault.text, "a longer text"));
}

static void an_event_written_as_words_reads_back_as_the_same(void **state)
{
    static const char *const all[] = {
        "loss for=20s from=skerry to=harbour chance=1/3 burst=2.5",
        "loss chance=10% burst=40 within=60% between=2%",
        "duplicates end=skerry chance=100%",
        "reordering chance=5% by=12345678ns",
        "corruption to=harbour chance=0.25%",
        "fading chance=50% period=10min",
        "outage for=250ms",
        "other traffic share=95% length=1.5s",
        "away for=1h end=skerry",
        "step end=harbour step=quick",
        "clock step end=skerry by=-1500ms",
    };

    for (size_t i = 0; i < COUNT_OF(all); i++) {
        struct plan_event event, again;
        char text[EVENT_TEXT_SIZE], text_again[EVENT_TEXT_SIZE];

        read_right(*state, all[i], &event);
        event_write(&event, text);
        read_right(*state, text, &again);
        event_write(&again, text_again);
        assert_string_equal(text, text_again);
        assert_int_equal(event.what, again.what);
        assert_true(event.for_ns == again.for_ns && event.by_ns == again.by_ns);
        assert_true(isnan(event.chance_ratio)
                    || event.chance_ratio == again.chance_ratio);
        assert_true(event.within_ratio == again.within_ratio
                    && event.between_ratio == again.between_ratio);
        assert_string_equal(event.step, again.step);
        assert_string_equal(event.end, again.end);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(words_become_the_event_that_a_plan_would_state),
        cmocka_unit_test(wrong_words_are_refused_with_what_would_be_right),
        cmocka_unit_test(a_text_without_end_is_refused),
        cmocka_unit_test(an_event_written_as_words_reads_back_as_the_same),
    };

    return cmocka_run_group_tests(tests, set_up, tear_down);
}
