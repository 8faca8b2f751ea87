/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/orders.h"

#include "controller/plan/reader.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const char plan_text[] =
    "plan: Three ends\n"
    "link: {identify_every: 5 min}\n"
    "steps:\n"
    "  - {name: slow, usable_rate: 20 kbit/s}\n"
    "  - {name: fast, usable_rate: 40 kbit/s}\n"
    "ends:\n"
    "  hub: {role: hub, call: Q0HUB, address: 192.0.2.1}\n"
    "  hill: {role: station, call: Q1HIL, address: 192.0.2.2, port: 8000, "
    "interface: air0}\n"
    "controller_at: hub\n"
    "sequence:\n"
    "  - ping: {from: hill, to: hub, count: 3}\n"
    "  - ping: {from: hill, to: 192.0.2.99, count: 3}\n"
    "  - together:\n"
    "      - download: {from: hub, to: hill, for: 40 s}\n"
    "      - ping: {from: hill, to: hub, for: 40 s}\n"
    "rounds: 2\n";

struct fixture {
    struct plan plan;
    struct orders_site site;
    char hosts[4][ADDRESS_SIZE];
    struct ordered_exchange exchanges[PLAN_GROUP_MAX];
    size_t count;
    struct fault fault;
};

static int setup(void **state)
{
    struct fixture *f = calloc(1, sizeof(*f));
    struct plan_mistakes mistakes = { 0 };

    assert_int_equal(
        plan_read_text(plan_text, strlen(plan_text), &f->plan, &mistakes), 0);
    f->site = (struct orders_site){ .plan = &f->plan,
                                    .addresses = { "192.0.2.1", "192.0.2.2" },
                                    .hosts = f->hosts,
                                    .tag = "abcdef",
                                    .seed = 42,
                                    .expected_bps = { 18e3, 36e3 } };
    (void) snprintf(f->hosts[1], ADDRESS_SIZE, "192.0.2.99");
    *state = f;
    return 0;
}

static int teardown(void **state)
{
    struct fixture *f = *state;

    plan_clear(&f->plan);
    free(f);
    return 0;
}

static void make(struct fixture *f, uint64_t position, uint64_t attempt)
{
    struct order_place place;

    orders_place_of(&f->plan, position, &place);
    place.attempt = attempt;
    assert_int_equal(
        orders_make(&f->site, &place, f->exchanges, &f->count, &f->fault), 0);
}

static void steps_are_visited_there_and_back(void **state)
{
    struct fixture *f = *state;
    static const size_t expected_steps[] = {
        0, 0, 0, 1, 1, 1, 1, 1, 1, 0, 0, 0
    };

    assert_int_equal(orders_position_count(&f->plan), COUNT_OF(expected_steps));
    for (uint64_t i = 0; i < COUNT_OF(expected_steps); i++) {
        struct order_place place;

        orders_place_of(&f->plan, i, &place);
        assert_int_equal(place.step, expected_steps[i]);
        assert_int_equal(place.group, i % 3);
    }
}

static void the_receiving_end_is_told_first(void **state)
{
    struct fixture *f = *state;

    make(f, 2, 0);
    assert_int_equal(f->count, 2);
    assert_int_equal(f->exchanges[0].part_count, 2);
    assert_string_equal(f->exchanges[0].parts[0].order.part, "receiver");
    assert_string_equal(f->exchanges[0].parts[0].order.own_name, "hill");
    assert_string_equal(f->exchanges[0].parts[1].order.part, "sender");
    assert_string_equal(f->exchanges[0].parts[1].order.own_name, "hub");
}

static void each_end_is_told_who_it_is_and_who_the_other_is(void **state)
{
    struct fixture *f = *state;

    make(f, 0, 0);
    const struct exchange_order *order = &f->exchanges[0].parts[1].order;
    assert_string_equal(order->part, "prober");
    assert_string_equal(order->own_call, "Q1HIL");
    assert_string_equal(order->own_address, "192.0.2.2");
    assert_string_equal(order->interface, "air0");
    assert_string_equal(order->peer_name, "hub");
    assert_string_equal(order->peer_address, "192.0.2.1");
    assert_int_equal(order->peer_port, AGENT_PORT);
    assert_string_equal(order->identify_to, "192.0.2.1");
    assert_int_equal(order->identify_port, AGENT_PORT);
    assert_int_equal(order->identify_every_ns, 5 * NS_PER_MIN);
    assert_float_equal(order->expected_bps, 18e3, 0);
    assert_int_equal(f->exchanges[0].parts[0].order.peer_port, 8000);
}

static void a_host_without_agent_gets_no_order_and_the_hub_listens(void **state)
{
    struct fixture *f = *state;

    make(f, 1, 0);
    assert_int_equal(f->exchanges[0].part_count, 1);
    const struct exchange_order *order = &f->exchanges[0].parts[0].order;
    assert_string_equal(order->part, "prober");
    assert_string_equal(order->peer_address, "192.0.2.99");
    assert_int_equal(order->peer_port, 0);
    assert_string_equal(order->identify_to, "192.0.2.1");
}

static void both_ends_share_id_seed_and_ticket(void **state)
{
    struct fixture *f = *state;

    make(f, 2, 0);
    const struct exchange_order *to = &f->exchanges[0].parts[0].order;
    const struct exchange_order *from = &f->exchanges[0].parts[1].order;
    assert_string_equal(to->id, "abcdef-2-0");
    assert_string_equal(from->id, to->id);
    assert_int_equal(from->seed, to->seed);
    assert_string_equal(from->ticket, to->ticket);
    assert_string_not_equal(to->ticket, f->exchanges[1].parts[0].order.ticket);
    assert_int_not_equal(to->seed, f->exchanges[1].parts[0].order.seed);
}

static void seeds_follow_from_the_runs_seed(void **state)
{
    struct fixture *f = *state;

    make(f, 2, 0);
    const uint64_t first = f->exchanges[0].parts[0].order.seed;
    make(f, 2, 1);
    assert_int_equal(f->exchanges[0].parts[0].order.seed, first);
    assert_true(first < UINT64_C(1) << 53);
    make(f, 8, 0);
    assert_int_not_equal(f->exchanges[0].parts[0].order.seed, first);
}

static void a_repeat_has_ids_of_its_own(void **state)
{
    struct fixture *f = *state;

    make(f, 2, 3);
    assert_string_equal(f->exchanges[1].parts[0].order.id, "abcdef-2-1-3");
}

static void what_runs_beside_it_is_said(void **state)
{
    struct fixture *f = *state;

    make(f, 0, 0);
    assert_string_equal(f->exchanges[0].condition, "idle");
    make(f, 2, 0);
    assert_string_equal(f->exchanges[0].condition, "ping hill > hub");
    assert_string_equal(f->exchanges[1].condition, "download hub > hill");
}

static void ids_are_read_back_by_the_runs_own_tag_only(void **state)
{
    static const char *const strange[] = {
        "abcdef",      "abcdef-",      "abcdef-1",    "abcdef-1-",
        "abcdef-x-0",  "abcdef-1-0-x", "abcde-1-0",   "abcdeg-1-0",
        "abcdef--1-0", "abcdef-1-0x",  "abcdef- 1-0", "",
    };
    struct fixture *f = *state;
    struct order_id id;

    make(f, 7, 10);
    assert_true(
        orders_read_id(f->exchanges[0].parts[0].order.id, f->site.tag, &id));
    assert_int_equal(id.position, 7);
    assert_int_equal(id.number, 0);
    assert_int_equal(id.attempt, 10);
    for (size_t i = 0; i < COUNT_OF(strange); i++) {
        if (orders_read_id(strange[i], "abcdef", &id))
            fail_msg("'%s' was taken for an id", strange[i]);
    }
}

static void an_end_without_agent_gets_no_order(void **state)
{
    struct fixture *f = *state;

    f->plan.ends[0].agent = AGENT_NONE; /* the hub */
    make(f, 0, 0);
    assert_int_equal(f->exchanges[0].part_count, 1);
    const struct exchange_order *order = &f->exchanges[0].parts[0].order;
    assert_string_equal(order->own_name, "hill");
    assert_string_equal(order->peer_address, "192.0.2.1");
    assert_int_equal(order->peer_port, 0);
    assert_string_equal(order->identify_to, "");
    assert_string_equal(order->interface, "air0");
    f->plan.ends[0].landmark = LANDMARK_OWN_RADIO;
    make(f, 0, 0);
    assert_string_equal(f->exchanges[0].parts[0].order.interface, "");
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(steps_are_visited_there_and_back),
        TEST(the_receiving_end_is_told_first),
        TEST(each_end_is_told_who_it_is_and_who_the_other_is),
        TEST(a_host_without_agent_gets_no_order_and_the_hub_listens),
        TEST(both_ends_share_id_seed_and_ticket),
        TEST(seeds_follow_from_the_runs_seed),
        TEST(a_repeat_has_ids_of_its_own),
        TEST(what_runs_beside_it_is_said),
        TEST(ids_are_read_back_by_the_runs_own_tag_only),
        TEST(an_end_without_agent_gets_no_order),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
