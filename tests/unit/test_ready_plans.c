/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reader.h"
#include "controller/rehearsal/air.h"
#include "controller/rehearsal/derive.h"
#include "controller/rehearsal/ready_plans.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static void read_plan(const struct ready_plan *ready, struct plan *plan)
{
    struct plan_mistakes mistakes = { 0 };
    const int status =
        plan_read_text(ready->text, strlen(ready->text), plan, &mistakes);

    if (status)
        plan_mistakes_print(stderr, ready->name, &mistakes);
    assert_int_equal(status, 0);
}

/* How long its exchanges take at 20 kbit/s, if they end by bytes. */
static uint64_t planned_ns(const struct plan *plan)
{
    uint64_t sum_ns = 0;

    for (size_t i = 0; i < plan->group_count; i++) {
        uint64_t longest_ns = 0;

        for (size_t j = 0; j < plan->groups[i].count; j++) {
            const struct plan_exchange *exchange =
                &plan->exchanges[plan->groups[i].first + j];
            const uint64_t takes_ns =
                exchange->kind->planned_ns(&exchange->spec, 1, 20000);

            longest_ns = takes_ns > longest_ns ? takes_ns : longest_ns;
        }
        sum_ns += longest_ns;
    }
    return plan->step_count * plan->rounds * sum_ns;
}

static void each_ready_plan_can_be_rehearsed_as_it_is(void **state)
{
    (void) state;
    assert_true(ready_plan_count >= 5);
    for (size_t i = 0; i < ready_plan_count; i++) {
        struct air_config config;
        struct fault fault = { 0 };
        struct plan plan;
        struct cast cast;

        read_plan(&ready_plans[i], &plan);
        if (air_config_from_plan(&plan, &config, &fault) != 0
            || derive_practice_plan(&plan, 0, &cast, &fault) != 0)
            fail_msg("%s: %s", ready_plans[i].name, fault.text);
        /* Nobody waits longer than 5 minutes, a minute of it for control. */
        if (planned_ns(&plan) > 240 * NS_PER_S)
            fail_msg("%s takes %llu s", ready_plans[i].name,
                     (unsigned long long) (planned_ns(&plan) / NS_PER_S));
        plan_clear(&plan);
    }
}

static void each_says_what_one_learns_from_it(void **state)
{
    (void) state;
    for (size_t i = 0; i < ready_plan_count; i++) {
        char lesson[READY_LESSON_SIZE];

        ready_plan_lesson(&ready_plans[i], lesson);
        assert_in_range(strlen(lesson), 150, READY_LESSON_SIZE - 2);
        assert_non_null(strstr(lesson, "minute"));
        assert_null(strchr(lesson, '#'));
        assert_null(strchr(lesson, '\n'));
    }
}

static void a_lesson_ends_where_its_comment_does(void **state)
{
    const struct ready_plan plan = { "x", "# Two\n# lines.\n\n# Not this.\n" };
    const struct ready_plan none = { "x", "plan: x\n" };
    char lesson[READY_LESSON_SIZE];

    (void) state;
    ready_plan_lesson(&plan, lesson);
    assert_string_equal(lesson, "Two lines.");
    ready_plan_lesson(&none, lesson);
    assert_string_equal(lesson, "");
}

static void a_ready_plan_is_found_by_its_name(void **state)
{
    (void) state;
    for (size_t i = 0; i < ready_plan_count; i++)
        assert_ptr_equal(ready_plan_find(ready_plans[i].name), &ready_plans[i]);
    assert_null(ready_plan_find("no-such-plan"));
}

/* README's first command. */
static void the_first_one_is_the_clean_link_of_two_steps(void **state)
{
    struct air_config config;
    struct fault fault = { 0 };
    struct plan plan;

    (void) state;
    assert_string_equal(ready_plans[0].name, "clean");
    read_plan(&ready_plans[0], &plan);
    assert_int_equal(air_config_from_plan(&plan, &config, &fault), 0);
    assert_int_equal(plan.step_count, 2);
    assert_int_equal(config.step_bps[0], 60000);
    assert_int_equal(config.step_bps[1], 120000);
    assert_int_equal(plan.practice.event_count, 0);
    assert_true(config.faults.loss_ratio == 0);
    plan_clear(&plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_ready_plan_can_be_rehearsed_as_it_is),
        cmocka_unit_test(each_says_what_one_learns_from_it),
        cmocka_unit_test(a_lesson_ends_where_its_comment_does),
        cmocka_unit_test(a_ready_plan_is_found_by_its_name),
        cmocka_unit_test(the_first_one_is_the_clean_link_of_two_steps),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
