/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/step.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <unistd.h>

#include <cmocka.h>

struct fixture {
    uv_loop_t loop;
    struct agent_config config;
    struct step_change *change;
    unsigned done_count;
    struct fault done;
    char mark[64]; /* a file that a command makes */
};

static void on_done(void *owner, const struct fault *fault)
{
    struct fixture *fixture = owner;

    fixture->done_count++;
    fixture->done = *fault;
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) uv_loop_init(&fixture->loop);
    (void) snprintf(fixture->mark, sizeof(fixture->mark),
                    "/tmp/bothends-step-%d", (int) getpid());
    fixture->config.step_count = 2;
    (void) snprintf(fixture->config.steps[0], NAME_SIZE, "breeze");
    (void) snprintf(fixture->config.steps[1], NAME_SIZE, "$(reboot); *");
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    config_clear(&fixture->config);
    (void) unlink(fixture->mark);
    free(fixture);
    return 0;
}

static void command(struct fixture *fixture, const char *program,
                    const char *first, const char *second, const char *third)
{
    const char *const words[] = { program, first, second, third };

    for (size_t i = 0; i < COUNT_OF(words) && words[i]; i++)
        fixture->config.step_command[i] = strdup(words[i]);
}

static int start(struct fixture *fixture, const char *name, struct fault *fault)
{
    return step_start(&fixture->loop, &fixture->config, name, on_done, fixture,
                      &fixture->change, fault);
}

static void run_to_the_end(struct fixture *fixture)
{
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->done_count, 1);
}

static void the_command_gets_the_steps_name_as_it_is(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    command(fixture, "/bin/sh", "-c", "echo got \"$0\" >&2; exit 3",
            "<{step}>");
    assert_int_equal(start(fixture, "$(reboot); *", &fault), 0);
    run_to_the_end(fixture);
    assert_non_null(strstr(fixture->done.text, "got <$(reboot); *>"));
    assert_non_null(strstr(fixture->done.text, "status 3"));
}

static void a_command_that_ends_well_is_no_fault(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    command(fixture, "true", "{step}", NULL, NULL);
    assert_int_equal(start(fixture, "breeze", &fault), 0);
    run_to_the_end(fixture);
    assert_int_equal(fixture->done.code, 0);
}

static void its_last_line_of_error_is_told(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    command(fixture, "/bin/sh", "-c",
            "printf 'one\\ntwo\\n\\nradio off' >&2; "
            "exit 1",
            "{step}");
    assert_int_equal(start(fixture, "breeze", &fault), 0);
    run_to_the_end(fixture);
    assert_non_null(strstr(fixture->done.text, ": radio off"));
}

static void a_name_that_is_not_listed_is_never_run(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    command(fixture, "/bin/sh", "-c", "touch \"$0\"", "{step}");
    assert_int_equal(start(fixture, fixture->mark, &fault), UV_EINVAL);
    assert_int_not_equal(access(fixture->mark, F_OK), 0);
    assert_int_equal(fixture->done_count, 0);
}

static void an_agent_without_a_command_says_so(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(start(fixture, "breeze", &fault), UV_ENOSYS);
    assert_non_null(strstr(fault.text, "--config"));
}

static void a_program_that_is_not_there_is_named(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    command(fixture, "/nowhere/radio-tool", "{step}", NULL, NULL);
    assert_int_equal(start(fixture, "breeze", &fault), UV_ENOENT);
    assert_non_null(strstr(fault.text, "/nowhere/radio-tool"));
    assert_int_equal(fixture->done_count, 0);
}

static void a_cancelled_command_is_killed_with_its_children(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };
    const uint64_t begun_ns = uv_hrtime();

    command(fixture, "/bin/sh", "-c", "sleep 20 & sleep 20; true", "{step}");
    assert_int_equal(start(fixture, "breeze", &fault), 0);
    step_cancel(fixture->change);
    run_to_the_end(fixture);
    assert_int_equal(fixture->done.code, UV_ECANCELED);
    assert_true(uv_hrtime() - begun_ns < 15 * NS_PER_S);
}

#define PROMISE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        PROMISE(the_command_gets_the_steps_name_as_it_is),
        PROMISE(a_command_that_ends_well_is_no_fault),
        PROMISE(its_last_line_of_error_is_told),
        PROMISE(a_name_that_is_not_listed_is_never_run),
        PROMISE(an_agent_without_a_command_says_so),
        PROMISE(a_program_that_is_not_there_is_named),
        PROMISE(a_cancelled_command_is_killed_with_its_children),
    };

    return cmocka_run_group_tests_name("step", tests, NULL, NULL);
}
