/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/self.h"

#include "agent/clock.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>

#include <cmocka.h>

static json_t *describe(void)
{
    static struct agent_config config;
    static char program[] = "radio-tool";

    config.step_command[0] = program;
    (void) snprintf(config.steps[0], NAME_SIZE, "breeze");
    config.step_count = 1;
    const struct self_site site = { .name = "hub",
                                    .config = &config,
                                    .port = 7907 };
    return self_describe(&site);
}

static void every_promised_member_is_there(void **state)
{
    static const char *const members[] = {
        "program", "version",       "protocol",     "name",
        "port",    "now_ns",        "wall_unix_ns", "wall_minus_monotonic_ns",
        "host",    "system",        "kernel",       "icmp",
        "steps",   "can_set_steps", "interfaces",   "kernel_stamps",
    };
    json_t *self = describe();

    (void) state;
    for (size_t i = 0; i < COUNT_OF(members); i++) {
        if (!json_object_get(self, members[i]))
            fail_msg("no member '%s'", members[i]);
    }
    assert_int_equal(json_integer_value(json_object_get(self, "port")), 7907);
    assert_true(json_is_true(json_object_get(self, "can_set_steps")));
    json_decref(self);
}

static void the_clocks_are_read_when_it_is_made(void **state)
{
    const uint64_t before_ns = clock_now_ns();
    json_t *self = describe();
    const uint64_t after_ns = clock_now_ns();
    const uint64_t now_ns =
        (uint64_t) json_integer_value(json_object_get(self, "now_ns"));

    (void) state;
    assert_true(before_ns <= now_ns && now_ns <= after_ns);
    assert_int_equal(json_integer_value(json_object_get(self, "wall_unix_ns"))
                         - json_integer_value(
                             json_object_get(self, "wall_minus_monotonic_ns")),
                     now_ns);
    json_decref(self);
}

static void it_is_short_enough_for_a_slow_link(void **state)
{
    json_t *self = describe();
    char *text = json_dumps(self, JSON_COMPACT);

    (void) state;
    assert_true(strlen(text) < 4000);
    free(text);
    json_decref(self);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_promised_member_is_there),
        cmocka_unit_test(the_clocks_are_read_when_it_is_made),
        cmocka_unit_test(it_is_short_enough_for_a_slow_link),
    };

    return cmocka_run_group_tests_name("self", tests, NULL, NULL);
}
