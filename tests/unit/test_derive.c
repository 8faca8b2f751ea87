/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reader.h"
#include "controller/plan/writer.h"
#include "controller/rehearsal/air.h"
#include "controller/rehearsal/derive.h"
#include "tests/support/plan_property.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static const char real_plan[] =
    "plan: A real link\n"
    "link:\n"
    "  slot_overhead: 10..14 ms\n"
    "  slot_limit: 200..300 ms\n"
    "  frame: {payload: 240 B, overhead: 12 B}\n"
    "  distance: 30 km\n"
    "steps:\n"
    "  - {name: walk, symbol_rate: 80 kBd, levels: 2, code_rate: 3/4}\n"
    "  - {name: trot, symbol_rate: 78..82 kBd, levels: 4, code_rate: 3/4}\n"
    "  - {name: sheet, usable_rate: 90..110 kbit/s}\n"
    "ends:\n"
    "  far-one:\n"
    "    role: station\n"
    "    call: Q1FAR\n"
    "    address: 192.0.2.20\n"
    "    control: 198.51.100.7\n"
    "    interface: eth0\n"
    "  mill:\n"
    "    role: hub\n"
    "    call: Q0MIL\n"
    "    address: 192.0.2.2\n"
    "    key: mill.key\n"
    "controller_at: far-one\n"
    "sequence:\n"
    "  - ping: {from: far-one, to: 192.0.2.1, count: 5}\n"
    "  - ping: {from: far-one, to: mill, count: 5}\n"
    "  - ping: {from: mill, to: router.example, count: 5}\n"
    "  - ping: {from: mill, to: 192.0.2.1, count: 5}\n"
    "set_steps: by hand\n";

static void read_plan(const char *text, struct plan *plan)
{
    struct plan_mistakes mistakes = { 0 };
    const int status = plan_read_text(text, strlen(text), plan, &mistakes);

    if (status)
        plan_mistakes_print(stderr, "test", &mistakes);
    assert_int_equal(status, 0);
}

static void addresses_of_a_real_plan_become_practice_ones(void **state)
{
    struct plan plan;
    struct cast cast;
    struct fault fault = { 0 };

    (void) state;
    read_plan(real_plan, &plan);
    assert_int_equal(derive_practice_plan(&plan, 7, &cast, &fault), 0);
    assert_int_equal(plan.practice.seed, 7);
    assert_int_equal(plan.set_steps, SET_BY_AGENT);
    /* The hub has the first turn, wherever the plan names it. */
    assert_int_equal(cast.ends[0].end, 1);
    assert_string_equal(plan.ends[1].address, "10.61.0.10");
    assert_string_equal(plan.ends[1].key, "ends/mill/key");
    assert_string_equal(plan.ends[1].interface, "");
    assert_string_equal(plan.ends[0].address, "10.61.0.11");
    assert_string_equal(plan.ends[0].control, "");
    assert_string_equal(plan.ends[0].interface, "air0");
    assert_string_equal(plan.ends[0].key, "ends/far-one/key");
    /* Two hosts that are no ends: addresses of the hub's computer. */
    assert_int_equal(cast.ends[0].host_count, 2);
    assert_string_equal(plan.exchanges[0].to, "10.61.0.100");
    assert_string_equal(plan.exchanges[1].to, "mill");
    assert_string_equal(plan.exchanges[2].to, "10.61.0.101");
    assert_string_equal(plan.exchanges[3].to, "10.61.0.100");
    assert_string_equal(cast.ends[0].hosts[1], "10.61.0.101");
    plan_clear(&plan);
}

static void an_end_behind_translation_gets_a_router(void **state)
{
    struct plan plan;
    struct cast cast;
    struct fault fault = { 0 };

    (void) state;
    read_plan(real_plan, &plan);
    plan.practice.ends[0].is_translated = true;
    assert_int_equal(derive_practice_plan(&plan, 0, &cast, &fault), 0);
    assert_string_equal(cast.ends[0].router, "");
    assert_string_equal(cast.ends[1].router, "10.61.0.201");
    plan_clear(&plan);
    read_plan(real_plan, &plan);
    plan.practice.ends[0].is_translated = true;
    (void) snprintf(plan.ends[0].address, ADDRESS_SIZE, "2001:db8::20");
    assert_true(derive_practice_plan(&plan, 0, &cast, &fault) < 0);
    assert_non_null(strstr(fault.text, "far-one: translation: found an end "
                                       "with an IPv6 address"));
    plan_clear(&plan);
}

static void a_derived_plan_reads_back(void **state)
{
    struct plan plan, again;
    struct cast cast;
    struct fault fault = { 0 };
    char *text = NULL;
    size_t size = 0;

    (void) state;
    read_plan(real_plan, &plan);
    assert_int_equal(derive_practice_plan(&plan, 0, &cast, &fault), 0);
    FILE *file = open_memstream(&text, &size);

    plan_write(file, &plan);
    (void) fclose(file);
    read_plan(text, &again);
    assert_string_equal(again.ends[0].address, plan.ends[0].address);
    assert_string_equal(again.exchanges[2].to, plan.exchanges[2].to);
    assert_int_equal(again.set_steps, SET_BY_AGENT);
    free(text);
    plan_clear(&plan);
    plan_clear(&again);
}

static void
a_derived_plan_keeps_what_goes_wrong_on_the_practice_link(void **state)
{
    static const char path[] =
        TEST_FOLDER "/fixtures/plan/good-practice-with-everything/plan.yaml";
    struct plan_mistakes mistakes;
    struct plan plan, again;
    struct cast cast;
    struct fault fault = { 0 };
    char *original = NULL, *text = NULL;
    size_t size = 0;

    (void) state;
    assert_int_equal(plan_read_file(path, &plan, &original, &mistakes, &fault),
                     0);
    assert_int_equal(derive_practice_plan(&plan, 0, &cast, &fault), 0);
    FILE *file = open_memstream(&text, &size);
    plan_write(file, &plan);
    (void) fclose(file);
    read_plan(text, &again);
    assert_true(plan_is_equal(&plan, &again));
    assert_int_equal(again.practice.event_count, 13);
    assert_true(again.practice.faults.loss_burst == 4);
    assert_true(again.practice.ends[1].clock_offset_ns
                == -90 * (int64_t) NS_PER_S);
    free(original);
    free(text);
    plan_clear(&plan);
    plan_clear(&again);
}

static void the_air_counts_the_hub_first_like_the_cast(void **state)
{
    struct air_config config;
    struct plan plan;
    struct cast cast;
    struct fault fault = { 0 };

    (void) state;
    read_plan(real_plan, &plan);
    assert_int_equal(derive_practice_plan(&plan, 0, &cast, &fault), 0);
    assert_int_equal(air_config_from_plan(&plan, &config, &fault), 0);
    assert_int_equal(config.hub, air_index(&plan, 1));
    for (size_t i = 0; i < cast.end_count; i++)
        assert_int_equal(air_index(&plan, (size_t) cast.ends[i].end), i);
    plan_clear(&plan);
}

static void
what_goes_wrong_all_the_time_is_in_the_channel_from_the_start(void **state)
{
    static const char path[] =
        TEST_FOLDER "/fixtures/plan/good-practice-with-everything/plan.yaml";
    struct plan_mistakes mistakes;
    struct air_config config;
    struct fault fault = { 0 };
    struct plan plan;
    char *text = NULL;

    (void) state;
    assert_int_equal(plan_read_file(path, &plan, &text, &mistakes, &fault), 0);
    assert_int_equal(air_config_from_plan(&plan, &config, &fault), 0);
    assert_true(config.faults.loss_ratio == 0.02);
    assert_true(config.faults.loss_burst == 4);
    assert_true(config.faults.loss_within_ratio == 0.9);
    assert_true(config.faults.loss_between_ratio == 0.003);
    assert_true(config.faults.fading_ratio == 0.2);
    assert_true(config.faults.fading_period_ns == 180 * NS_PER_S);
    assert_true(config.faults.duplicates_ratio == 0.01);
    assert_true(config.faults.reordering_ratio == 1.0 / 3);
    assert_true(config.faults.reordering_by_ns == 250 * NS_PER_MS);
    assert_true(config.faults.corruption_ratio == 0.005);
    assert_false(config.faults.is_out);
    assert_true(config.other_share_ratio == 0.1);
    assert_true(config.other_length_ns == 150 * NS_PER_MS);
    free(text);
    plan_clear(&plan);
}

static void the_channel_takes_the_middle_of_a_range(void **state)
{
    struct plan plan;
    struct air_config config;
    struct fault fault = { 0 };

    (void) state;
    read_plan(real_plan, &plan);
    assert_int_equal(air_config_from_plan(&plan, &config, &fault), 0);
    assert_int_equal(config.slot_overhead_ns, 12 * NS_PER_MS);
    assert_int_equal(config.slot_limit_ns, 250 * NS_PER_MS);
    assert_int_equal(config.step_bps[0], 60000);
    assert_int_equal(config.step_bps[1], 120000);
    assert_int_equal(config.step_bps[2], 100000);
    /* 30 km at 299 792 458 m/s */
    assert_int_equal(config.propagation_ns, 100069);
    assert_int_equal(config.queue_bytes, 16000);
    plan_clear(&plan);
}

static void what_the_practice_link_can_not_do_is_refused(void **state)
{
    static const struct {
        const char *link, *step, *expected;
    } cases[] = {
        { "slot_limit: 100 ms, mtu: 20 kB", "symbol_rate: 80 kBd, levels: 2",
          "queue: found 16000 B" },
        { "slot_limit: 100 ms", "symbol_rate: 2000 MBd, levels: 65536",
          "expected a rate from" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[1024];
        struct plan plan;
        struct air_config config;
        struct fault fault = { 0 };

        (void) snprintf(text, sizeof(text),
                        "plan: Not for practice\n"
                        "link: {%s}\n"
                        "steps: [{name: one, %s}]\n"
                        "ends:\n"
                        "  a: {role: hub, call: Q0A, address: 192.0.2.1}\n"
                        "  b: {role: station, call: Q1B, address: 192.0.2.2}\n"
                        "controller_at: a\n"
                        "sequence:\n"
                        "  - ping: {from: a, to: b, count: 5}\n",
                        cases[i].link, cases[i].step);
        read_plan(text, &plan);
        assert_true(air_config_from_plan(&plan, &config, &fault) < 0);
        if (!strstr(fault.text, cases[i].expected))
            fail_msg("'%s' does not say '%s'", fault.text, cases[i].expected);
        plan_clear(&plan);
    }
}

/* Seen from the tent: its own radio, the hub's, the router behind it. */
static const char ladder_plan[] =
    "plan: One end only\n"
    "steps: [{name: walk, usable_rate: 40 kbit/s}]\n"
    "ends:\n"
    "  tent: {role: station, address: 192.0.2.20, interface: eth0}\n"
    "  own: {role: station, agent: no, landmark: own radio, address: "
    "192.0.2.21}\n"
    "  mast: {role: hub, agent: no, landmark: far radio, address: 192.0.2.1}\n"
    "  gate: {role: hub, agent: no, landmark: router, address: "
    "\"2001:db8::1\"}\n"
    "  hut: {role: hub, agent: no, landmark: far computer, address: "
    "198.51.100.7}\n"
    "controller_at: tent\n"
    "sequence: [ping: {from: tent, to: 198.51.100.9, count: 1}]\n";

static void
landmarks_become_addresses_of_the_computers_they_stand_at(void **state)
{
    struct plan plan;
    struct cast cast;
    struct air_config config;
    struct fault fault = { 0 };

    (void) state;
    read_plan(ladder_plan, &plan);
    assert_int_equal(derive_practice_plan(&plan, 0, &cast, &fault), 0);
    assert_int_equal(air_config_from_plan(&plan, &config, &fault), 0);
    assert_int_equal(config.end_count, 2);
    assert_int_equal(cast.end_count, 2);
    assert_string_equal(plan.ends[cast.ends[0].end].name, "hut");
    assert_string_equal(plan.ends[cast.ends[1].end].name, "tent");
    assert_string_equal(plan.ends[4].address, cast.ends[0].ipv4);
    /* The own radio at the tent, all else at the hub; no number twice. */
    assert_int_equal(cast.ends[1].host_count, 1);
    assert_string_equal(plan.ends[1].address, cast.ends[1].hosts[0]);
    assert_int_equal(cast.ends[0].host_count, 3);
    assert_string_equal(plan.exchanges[0].to, "10.61.0.100");
    assert_string_equal(plan.ends[1].address, "10.61.0.101");
    assert_string_equal(plan.ends[2].address, "10.61.0.102");
    assert_string_equal(plan.ends[3].address, "fd61:7072:6163::103");
    /* Nobody is spoken to where no agent is. */
    assert_string_equal(plan.ends[4].key, "");
    plan_clear(&plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(addresses_of_a_real_plan_become_practice_ones),
        cmocka_unit_test(an_end_behind_translation_gets_a_router),
        cmocka_unit_test(a_derived_plan_reads_back),
        cmocka_unit_test(
            a_derived_plan_keeps_what_goes_wrong_on_the_practice_link),
        cmocka_unit_test(the_air_counts_the_hub_first_like_the_cast),
        cmocka_unit_test(
            what_goes_wrong_all_the_time_is_in_the_channel_from_the_start),
        cmocka_unit_test(the_channel_takes_the_middle_of_a_range),
        cmocka_unit_test(
            landmarks_become_addresses_of_the_computers_they_stand_at),
        cmocka_unit_test(what_the_practice_link_can_not_do_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
