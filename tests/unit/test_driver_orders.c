/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reader.h"
#include "controller/rehearsal/driver_control.h"
#include "controller/rehearsal/driver_orders.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static const char plan_text[] =
    "plan: Orders\n"
    "link: {slot_overhead: 10 ms, slot_limit: 100 ms}\n"
    "steps:\n"
    "  - {name: walk, usable_rate: 60 kbit/s}\n"
    "  - {name: trot, usable_rate: 120 kbit/s}\n"
    "ends:\n"
    "  weir: {role: hub, call: Q0WEI, address: 192.0.2.1}\n"
    "  island: {role: station, call: Q1ISL, address: 192.0.2.2}\n"
    "controller_at: weir\n"
    "sequence:\n"
    "  - ping: {from: weir, to: island, count: 5}\n";

struct fixture {
    struct plan plan;
    struct ledger_names names;
    struct driver_orders orders;
    uint64_t now_ns;
};

static void forget(void *owner, const struct air_packet *packet,
                   enum air_fate fate)
{
    (void) owner;
    (void) packet;
    (void) fate;
}

static int make_channel(void **state)
{
    static const struct air_listener listener = { .on_fate = forget };
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    struct air_config config;

    assert_int_equal(
        plan_read_text(plan_text, strlen(plan_text), &fixture->plan, &mistakes),
        0);
    assert_int_equal(air_config_from_plan(&fixture->plan, &config, &fault), 0);
    fixture->names = (struct ledger_names){ .ends = { "weir", "island" },
                                            .steps = { "walk", "trot" },
                                            .end_count = 2,
                                            .step_count = 2 };
    fixture->orders =
        (struct driver_orders){ .air = air_new(&config, &listener, 0),
                                .timeline =
                                    timeline_new(&fixture->plan, 0, NULL),
                                .names = &fixture->names,
                                .hub = config.hub };
    *state = fixture;
    return 0;
}

static int remove_channel(void **state)
{
    struct fixture *fixture = *state;

    air_close(fixture->orders.air, fixture->now_ns);
    air_free(fixture->orders.air);
    timeline_free(fixture->orders.timeline);
    plan_clear(&fixture->plan);
    free(fixture);
    return 0;
}

/* A second later, what is answered. */
static const char *order(struct fixture *fixture, const char *text)
{
    static char answer[CONTROL_ANSWER_SIZE];
    char message[CONTROL_MESSAGE_SIZE];

    fixture->now_ns += NS_PER_S;
    (void) snprintf(message, sizeof(message), "%s", text);
    driver_orders_carry_out(&fixture->orders, fixture->now_ns, message, answer,
                            sizeof(answer));
    return answer;
}

static void a_radio_is_set_and_says_its_step(void **state)
{
    struct fixture *fixture = *state;

    assert_string_equal(order(fixture, "island\ttrot"), "ok");
    assert_non_null(strstr(order(fixture, "island"), "ok\nstep=trot\n"));
    assert_non_null(strstr(order(fixture, "weir"), "ok\nstep=walk\n"));
    assert_non_null(
        strstr(order(fixture, "island\tgallop"), "has no step 'gallop'"));
    assert_non_null(strstr(order(fixture, "quay"), "no practice radio 'quay'"));
}

static void a_radio_says_what_it_sent_and_missed(void **state)
{
    struct fixture *fixture = *state;

    air_enqueue(fixture->orders.air, fixture->now_ns, 0, 1, 500, NULL);
    assert_non_null(strstr(order(fixture, "weir"), "\nsent_frames=1\n"));
    assert_non_null(strstr(order(fixture, "island"), "\nheard_frames=1\n"));
    assert_string_equal(order(fixture, "begin:\tloss chance=100%"), "ok\n1");
    air_enqueue(fixture->orders.air, fixture->now_ns, 0, 1, 500, NULL);
    assert_non_null(strstr(order(fixture, "weir"), "\nsent_frames=2\n"));
    assert_non_null(strstr(order(fixture, "island"), "\nmissed_frames=1\n"));
}

static void an_event_holds_until_it_is_ended(void **state)
{
    struct fixture *fixture = *state;

    assert_string_equal(order(fixture, "events:"), "ok\n");
    assert_string_equal(order(fixture, "begin:\toutage from=weir"), "ok\n1");
    assert_string_equal(order(fixture, "begin:\tloss chance=5% for=1500ms"),
                        "ok\n2");
    assert_string_equal(order(fixture, "events:"),
                        "ok\n1 outage from=weir\n2 loss for=1.5s chance=5%\n");
    assert_true(air_faults(fixture->orders.air, 0, 1)->is_out);
    assert_false(air_faults(fixture->orders.air, 1, 0)->is_out);
    assert_string_equal(order(fixture, "events:"), "ok\n1 outage from=weir\n");
    assert_string_equal(order(fixture, "end:\t1"), "ok");
    assert_false(air_faults(fixture->orders.air, 0, 1)->is_out);
    assert_non_null(strstr(order(fixture, "end:\t1"), "found 1, expected"));
    assert_non_null(strstr(order(fixture, "end:\tsoon"), "found 0, expected"));
    assert_non_null(strstr(order(fixture, "begin:\tloss chance=2"), "chance"));
}

static void more_events_than_have_room_are_not_silently_left_out(void **state)
{
    static const char line[] = " loss from=weir to=island chance=5% burst=40 "
                               "within=60% between=2%\n";
    static const char mark[] = "... and more\n";
    struct fixture *fixture = *state;

    for (unsigned i = 0; i < 200; i++)
        assert_memory_equal(order(fixture, "begin:\tloss chance=5% burst=40 "
                                           "within=60% between=2% from=weir "
                                           "to=island"),
                            "ok\n", 3);
    const char *told = order(fixture, "events:");
    const char *end = told + strlen(told) - strlen(mark);

    assert_string_equal(end, mark);
    assert_memory_equal(end - strlen(line), line, strlen(line));
}

static void a_station_that_is_away_is_not_registered_at_the_hub(void **state)
{
    struct fixture *fixture = *state;

    assert_non_null(
        strstr(order(fixture, "weir"), "\nregistered_stations=1\n"));
    assert_null(strstr(order(fixture, "island"), "registered"));
    assert_string_equal(order(fixture, "begin:\taway end=island"), "ok\n1");
    assert_non_null(
        strstr(order(fixture, "weir"), "\nregistered_stations=0\n"));
    assert_string_equal(order(fixture, "end:\t1"), "ok");
    assert_non_null(
        strstr(order(fixture, "weir"), "\nregistered_stations=1\n"));
}

static void without_a_plan_nothing_goes_wrong(void **state)
{
    struct fixture *fixture = *state;
    struct timeline *timeline = fixture->orders.timeline;

    fixture->orders.timeline = NULL;
    assert_non_null(strstr(order(fixture, "begin:\toutage"), "nothing comes"));
    assert_non_null(strstr(order(fixture, "events:"), "nothing comes"));
    assert_non_null(strstr(order(fixture, "weir"), "ok\nstep=walk"));
    fixture->orders.timeline = timeline;
}

#define CHANNEL_TEST(name)                                                     \
    cmocka_unit_test_setup_teardown(name, make_channel, remove_channel)

int main(void)
{
    const struct CMUnitTest tests[] = {
        CHANNEL_TEST(a_radio_is_set_and_says_its_step),
        CHANNEL_TEST(a_radio_says_what_it_sent_and_missed),
        CHANNEL_TEST(an_event_holds_until_it_is_ended),
        CHANNEL_TEST(more_events_than_have_room_are_not_silently_left_out),
        CHANNEL_TEST(a_station_that_is_away_is_not_registered_at_the_hub),
        CHANNEL_TEST(without_a_plan_nothing_goes_wrong),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
