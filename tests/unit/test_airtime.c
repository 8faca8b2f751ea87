/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Time on the air by hand: 80 kbit/s without frames are 0.1 ms a byte, and each
 * transmission costs 10 ms.
 */
#include "controller/plan/airtime.h"
#include "controller/plan/reader.h"

#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

#define TEXT_ROOM 2048

enum {
    HUB,
    FIRST,
    SECOND,
    FAR_RADIO
};

struct fixture {
    struct plan plan;
    struct expectation expectation;
};

static void look(struct fixture *fixture, const char *link, const char *step,
                 const char *exchange)
{
    struct plan_mistakes mistakes;
    char text[TEXT_ROOM];

    (void) snprintf(
        text, sizeof(text),
        "plan: Airtime\n"
        "link: {%s}\n"
        "steps: [{name: steady, %s}]\n"
        "ends:\n"
        "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2}\n"
        "  tent: {role: station, call: Q1TEN, address: 192.0.2.20}\n"
        "  hut: {role: station, call: Q1HUT, address: 192.0.2.30}\n"
        "  mast: {role: station, agent: no, landmark: far radio, address: "
        "192.0.2.21}\n"
        "controller_at: hilltop\n"
        "sequence: [%s]\n",
        link, step, exchange);
    if (plan_read_text(text, strlen(text), &fixture->plan, &mistakes) != 0) {
        plan_mistakes_print(stderr, "plan", &mistakes);
        fail();
    }
    capacity_expect_of(&fixture->plan, &fixture->plan.steps[0],
                       &fixture->expectation);
}

static const char by_turns[] = "slot_overhead: 10 ms, slot_limit: 250 ms";
static const char symbols[] = "symbol_rate: 80 kBd, levels: 2";

struct airtime {
    double ends_s[PLAN_ENDS_MAX];
};

static struct airtime airtime_of(const char *link, const char *step,
                                 const char *exchange, double planned_s)
{
    struct airtime airtime = { { 0 } };
    struct fixture fixture;

    look(&fixture, link, step, exchange);
    airtime_add(&fixture.plan, 0, &fixture.expectation,
                &(struct airtime_course){ planned_s, 48e3 }, airtime.ends_s);
    plan_clear(&fixture.plan);
    return airtime;
}

static void assert_near(double value_s, double expected_s, const char *what)
{
    if (!(fabs(value_s - expected_s) <= 1e-9 * fmax(1, fabs(expected_s))))
        fail_msg("%s: found %.9g s, expected %.9g s", what, value_s,
                 expected_s);
}

/* Each echo is 20 + 8 + 72 = 100 B, 10 ms on the air, and 10 ms for the
 * transmission, at both ends. */
static void an_echo_is_a_packet_and_a_transmission_at_both_ends(void **state)
{
    const struct airtime airtime =
        airtime_of(by_turns, symbols,
                   "ping: {from: tent, to: hilltop, count: 40, size: "
                   "72 B}",
                   41);

    (void) state;
    assert_near(airtime.ends_s[FIRST], 40 * 0.020, "the tent's");
    assert_near(airtime.ends_s[HUB], 40 * 0.020, "the hub's");
    assert_near(airtime.ends_s[SECOND], 0, "nobody else's");
}

/* Each probe and each reply is 20 + 8 + 112 = 140 B, 14 ms on the air. */
static void a_timing_costs_both_ends_its_probes_and_replies(void **state)
{
    const struct airtime airtime = airtime_of(
        by_turns, symbols, "timing: {from: tent, to: hilltop, count: 40}", 41);

    (void) state;
    assert_near(airtime.ends_s[FIRST], 40 * 0.024, "the tent's");
    assert_near(airtime.ends_s[HUB], 40 * 0.024, "the hub's");
}

static void a_ping_by_time_has_as_many_echoes_as_its_gaps_allow(void **state)
{
    const struct airtime airtime = airtime_of(
        by_turns, symbols,
        "ping: {from: tent, to: hilltop, for: 60 s, gap: random 2 s, size: 72 "
        "B}",
        60);

    (void) state;
    assert_near(airtime.ends_s[FIRST], 30 * 0.020, "the tent's");
}

/*
 * 1448 kB of content are 1000 segments of 1500 B: 150 s, in 625 transmissions
 * of (250 - 10) ms = 2400 B, 6.25 s.  The way back: a transmission for each,
 * and the acknowledgements' 52 B.  Without frames a whole transmission comes at
 * once: every second segment is acknowledged.
 */
static void
a_download_fills_transmissions_and_is_answered_each_turn(void **state)
{
    const struct airtime airtime =
        airtime_of(by_turns, symbols,
                   "download: {from: hilltop, to: tent, size: 1448 kB}", 180);

    (void) state;
    assert_near(airtime.ends_s[HUB], 150 + 6.25, "the data's");
    assert_near(airtime.ends_s[FIRST], 6.25 + 500 * 0.0052, "the answers'");
}

/* 48 kbit/s for 20 s are 120 kB. */
static void a_download_by_time_sends_what_it_gets(void **state)
{
    const struct airtime by_time =
        airtime_of(by_turns, symbols,
                   "download: {from: hilltop, to: tent, for: 20 s}", 20);
    const struct airtime by_size =
        airtime_of(by_turns, symbols,
                   "download: {from: hilltop, to: tent, size: 120 kB}", 20);

    (void) state;
    assert_near(by_time.ends_s[HUB], by_size.ends_s[HUB], "the data's");
    assert_near(by_time.ends_s[FIRST], by_size.ends_s[FIRST], "the answers'");
}

/* Frames of 240 + 12 B cost a twentieth more, and fewer bytes fit in a slot.
 * Segments come 157.5 ms apart and are acknowledged one by one. */
static void frames_cost_their_overhead(void **state)
{
    const struct airtime airtime = airtime_of(
        "slot_overhead: 10 ms, slot_limit: 250 ms, frame: {payload: 240 B, "
        "overhead: 12 B}",
        symbols, "download: {from: hilltop, to: tent, size: 1448 kB}", 180);

    (void) state;
    assert_near(airtime.ends_s[HUB], 1.05 * (150 + 6.25), "the data's");
    assert_near(airtime.ends_s[FIRST], 1.05 * (6.25 + 1000 * 0.0052),
                "the answers'");
}

static void
what_goes_from_station_to_station_is_sent_again_by_the_hub(void **state)
{
    const struct airtime airtime =
        airtime_of(by_turns, symbols,
                   "download: {from: tent, to: hut, size: 1448 kB}", 360);

    (void) state;
    assert_near(airtime.ends_s[FIRST], 156.25, "the data's");
    assert_near(airtime.ends_s[SECOND], 6.25 + 2.6, "the answers'");
    assert_near(airtime.ends_s[HUB], 156.25 + 6.25 + 2.6, "both again");
}

static void
hosts_stand_behind_the_hub_and_landmarks_beside_their_site(void **state)
{
    const struct airtime host =
        airtime_of(by_turns, symbols,
                   "ping: {from: tent, to: 198.51.100.1, count: 40, size: 72 "
                   "B}",
                   41);
    const struct airtime radio = airtime_of(
        by_turns, symbols,
        "ping: {from: hilltop, to: mast, count: 40, size: 72 B}", 41);
    const struct airtime own =
        airtime_of(by_turns, symbols,
                   "ping: {from: tent, to: mast, count: 40, size: 72 B}", 41);

    (void) state;
    assert_near(host.ends_s[HUB], 0.8, "answered from behind the hub");
    assert_near(radio.ends_s[FIRST], 0.8, "the far radio is the tent's");
    assert_near(radio.ends_s[FAR_RADIO], 0, "it has none of its own");
    assert_near(own.ends_s[FIRST] + own.ends_s[HUB], 0,
                "behind one radio nothing is sent");
}

/* A maker's usable rate has all overhead in it: bytes alone count, one way at
 * 80 kbit/s. */
static void a_published_rate_has_its_overhead_in_it(void **state)
{
    const struct airtime airtime = airtime_of(
        "access: scheduled", "usable_rate: 80 kbit/s, usable_rate_is: one way",
        "ping: {from: tent, to: hilltop, count: 40, size: 72 B}", 41);

    (void) state;
    assert_near(airtime.ends_s[FIRST], 40 * 0.010, "the tent's");
}

/* Each message and each confirmation is a transmission of its own, both ways
 * alike. */
static void messages_cost_a_transmission_each_way(void **state)
{
    const struct airtime airtime = airtime_of(
        by_turns, symbols,
        "messages: {between: [hilltop, tent], count: 50, size: 200 B}", 100);
    /* 200 B and two lines of 24 B, each with 52 B of headers: 352 B. */
    const double expected_s = 50 * (2 * 0.010 + 0.0352);

    (void) state;
    assert_near(airtime.ends_s[HUB], expected_s, "the hub's");
    assert_near(airtime.ends_s[FIRST], expected_s, "the tent's");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_echo_is_a_packet_and_a_transmission_at_both_ends),
        cmocka_unit_test(a_timing_costs_both_ends_its_probes_and_replies),
        cmocka_unit_test(a_ping_by_time_has_as_many_echoes_as_its_gaps_allow),
        cmocka_unit_test(
            a_download_fills_transmissions_and_is_answered_each_turn),
        cmocka_unit_test(a_download_by_time_sends_what_it_gets),
        cmocka_unit_test(frames_cost_their_overhead),
        cmocka_unit_test(
            what_goes_from_station_to_station_is_sent_again_by_the_hub),
        cmocka_unit_test(
            hosts_stand_behind_the_hub_and_landmarks_beside_their_site),
        cmocka_unit_test(a_published_rate_has_its_overhead_in_it),
        cmocka_unit_test(messages_cost_a_transmission_each_way),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
