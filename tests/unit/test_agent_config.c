/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/config.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

static void the_owners_command_and_steps_are_read(void **state)
{
    static const char text[] =
        "{\"step_command\": [\"radio-tool\", \"--set={step}\"],"
        " \"steps\": [\"breeze\", \"fresh\"]}";
    struct agent_config config = { 0 };
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        config_read_text(text, sizeof(text) - 1, "agent.json", &config, &fault),
        0);
    assert_string_equal(config.step_command[0], "radio-tool");
    assert_string_equal(config.step_command[1], "--set={step}");
    assert_null(config.step_command[2]);
    assert_true(config_has_step(&config, "breeze"));
    assert_true(config_has_step(&config, "fresh"));
    assert_false(config_has_step(&config, "gale"));
    assert_false(config_has_step(&config, ""));
    config_clear(&config);
}

static void readings_need_no_step_command(void **state)
{
    static const char text[] = "{\"readings_command\": [\"radio\", \"-s\"]}";
    struct agent_config config = { 0 };
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        config_read_text(text, sizeof(text) - 1, "agent.json", &config, &fault),
        0);
    assert_string_equal(config.readings_command[0], "radio");
    assert_string_equal(config.readings_command[1], "-s");
    assert_null(config.readings_command[2]);
    assert_null(config.step_command[0]);
    config_clear(&config);
}

static void an_empty_object_allows_nothing(void **state)
{
    struct agent_config config = { 0 };
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(config_read_text("{}", 2, "agent.json", &config, &fault),
                     0);
    assert_null(config.step_command[0]);
    assert_int_equal(config.step_count, 0);
}

/* clang-format off */
static const struct {
    const char *text;
    const char *words[3]; /* place, found, expected */
} mistakes[] = {
    { "", { "agent.json:", "", "JSON object" } },
    { "[]", { "agent.json:", "an empty list", "an object" } },
    { "{\n \"steps\" [\"a\"]}", { "agent.json:2:", "':' expected", "JSON object" } },
    { "{\"steps\":[\"a\"],\"steps\":[\"b\"]}", { "agent.json:1:", "duplicate", "JSON object" } },
    { "{\"step\": 1}", { "agent.json", "'step'", "readings_command" } },
    { "{\"readings_command\": \"radio\"}", { "readings_command", "'radio'", "1 to 32 texts" } },
    { "{\"readings_command\": [\"\"]}", { "readings_command[0]", "''", "the program's name" } },
    { "{\"readings_command\": [\"r\", null]}", { "readings_command[1]", "null", "a text" } },
    { "{\"step_command\": \"radio {step}\", \"steps\":[\"a\"]}", { "step_command", "'radio {step}'", "a list" } },
    { "{\"step_command\": [], \"steps\":[\"a\"]}", { "step_command", "an empty list", "1 to 32 texts" } },
    { "{\"step_command\": [\"\", \"{step}\"], \"steps\":[\"a\"]}", { "step_command[0]", "''", "the program's name" } },
    { "{\"step_command\": [\"{step}\"], \"steps\":[\"a\"]}", { "step_command[0]", "'{step}'", "without {step}" } },
    { "{\"step_command\": [\"r\", 5], \"steps\":[\"a\"]}", { "step_command[1]", "a number", "a text" } },
    { "{\"step_command\": [\"r\"], \"steps\":[\"a\"]}", { "step_command", "0 times", "once" } },
    { "{\"step_command\": [\"r\", \"{step}{step}\"], \"steps\":[\"a\"]}", { "step_command", "2 times", "once" } },
    { "{\"step_command\": [\"r\", \"{step}\"]}", { "agent.json", "step_command without steps", "both" } },
    { "{\"steps\": [\"a\"]}", { "agent.json", "steps without step_command", "both" } },
    { "{\"steps\": \"a\"}", { "steps", "'a'", "a list" } },
    { "{\"steps\": [\"a\", true]}", { "steps[1]", "true or false", "a step's name" } },
    { "{\"steps\": [\"--reboot\"]}", { "steps[0]", "'--reboot'", "begin with '-'" } },
    { "{\"steps\": [\"a\\nb\"]}", { "steps[0]", "found", "a step's name" } },
    { "{\"steps\": [\"01234567890123456789012345678901\"]}", { "steps[0]", "'0123", "1 to 31 bytes" } },
    { "{\"steps\": [\"a\", \"a\"]}", { "steps[1]", "'a'", "each name once" } },
};
/* clang-format on */

static void mistakes_name_place_found_and_expected(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(mistakes); i++) {
        struct agent_config config = { 0 };
        struct fault fault = { 0 };

        assert_int_equal(config_read_text(mistakes[i].text,
                                          strlen(mistakes[i].text),
                                          "agent.json", &config, &fault),
                         UV_EINVAL);
        for (size_t j = 0; j < 3; j++) {
            if (!strstr(fault.text, mistakes[i].words[j]))
                fail_msg("%s: '%s' lacks '%s'", mistakes[i].text, fault.text,
                         mistakes[i].words[j]);
        }
    }
}

static void a_file_that_others_may_write_is_refused(void **state)
{
    static const mode_t modes[] = { 0622, 0660, 0666 };
    static const char text[] = "{}";
    char path[] = "/tmp/bothends-config-XXXXXX";
    const int fd = mkstemp(path);

    (void) state;
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, 2), 2);
    for (size_t i = 0; i < COUNT_OF(modes); i++) {
        struct agent_config config = { 0 };
        struct fault fault = { 0 };

        assert_int_equal(fchmod(fd, modes[i]), 0);
        assert_int_equal(config_read_file(path, &config, &fault), UV_EPERM);
        assert_non_null(strstr(fault.text, "chmod go-w"));
    }
    struct agent_config config = { 0 };
    struct fault fault = { 0 };
    assert_int_equal(fchmod(fd, 0644), 0);
    assert_int_equal(config_read_file(path, &config, &fault), 0);
    (void) close(fd);
    (void) unlink(path);
}

static void a_file_that_is_not_there_is_named(void **state)
{
    struct agent_config config = { 0 };
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(config_read_file("/tmp/bothends-no-such", &config, &fault),
                     UV_ENOENT);
    assert_non_null(strstr(fault.text, "/tmp/bothends-no-such"));
    fault = (struct fault){ 0 };
    assert_int_equal(config_read_file("/tmp", &config, &fault), UV_EINVAL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_owners_command_and_steps_are_read),
        cmocka_unit_test(readings_need_no_step_command),
        cmocka_unit_test(an_empty_object_allows_nothing),
        cmocka_unit_test(mistakes_name_place_found_and_expected),
        cmocka_unit_test(a_file_that_others_may_write_is_refused),
        cmocka_unit_test(a_file_that_is_not_there_is_named),
    };

    return cmocka_run_group_tests_name("agent_config", tests, NULL, NULL);
}
