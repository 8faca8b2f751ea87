/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/readings.h"

#include "agent/clock.h"
#include "agent/wire/readings.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <unistd.h>

#include <cmocka.h>

/* --- the lines ------------------------------------------------------------ */

/* clang-format off */
static const struct {
    const char *line, *name, *text;
    double value; /* NaN: not a number */
} good_lines[] = {
    { "signal_dbm=-87", "signal_dbm", "-87", -87 },
    { "  supply_v = 12.4 \r", "supply_v", "12.4", 12.4 },
    { "registered=skerry, holm", "registered", "skerry, holm", (double) NAN },
    { "frames=1e3", "frames", "1e3", 1000 },
    { "id=0x1f", "id", "0x1f", (double) NAN },
    { "word=nan", "word", "nan", (double) NAN },
    { "formula=a=b", "formula", "a=b", (double) NAN },
    { "abcdefghijklmnopqrstuvwx=1", "abcdefghijklmnopqrstuvwx", "1", 1 },
    { "t=41 \xc2\xb0" "C", "t", "41 \xc2\xb0" "C", (double) NAN },
    { "x=123456789012345678901234567890123456789012345678", "x", "123456789012345678901234567890123456789012345678", 123456789012345678901234567890123456789012345678.0 },
};

static const struct {
    const char *line, *found, *expected;
} bad_lines[] = {
    { "signal", "'signal'", "name=value" },
    { "=5", "'=5'", "1 to 24 of a-z" },
    { "Signal=5", "'Signal=5'", "a-z, 0-9 and _" },
    { "sig nal=5", "'sig nal=5'", "a-z" },
    { "abcdefghijklmnopqrstuvwxy=1", "'abcdefgh", "1 to 24" },
    { "a=", "'a='", "1 to 48 printable" },
    { "a=1234567890123456789012345678901234567890123456789", "'a=123", "1 to 48" },
    { "a=x\x1b[31mred", "can't be shown", "printable" },
    { "a=\xff\xfe", "can't be shown", "printable" },
};
/* clang-format on */

static void a_line_is_a_name_a_text_and_a_number_where_it_is_one(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(good_lines); i++) {
        struct radio_reading reading;
        struct fault fault = { 0 };

        if (readings_parse_line(good_lines[i].line, strlen(good_lines[i].line),
                                &reading, &fault)
            != 0)
            fail_msg("%s: %s", good_lines[i].line, fault.text);
        assert_string_equal(reading.name, good_lines[i].name);
        assert_string_equal(reading.text, good_lines[i].text);
        if (isnan(good_lines[i].value))
            assert_true(isnan(reading.value));
        else
            assert_true(fabs(reading.value - good_lines[i].value)
                        <= 1e-9 * fabs(good_lines[i].value));
    }
}

static void what_is_no_such_line_is_refused_with_what_was_found(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(bad_lines); i++) {
        struct radio_reading reading;
        struct fault fault = { 0 };

        assert_int_equal(readings_parse_line(bad_lines[i].line,
                                             strlen(bad_lines[i].line),
                                             &reading, &fault),
                         UV_EINVAL);
        if (!strstr(fault.text, bad_lines[i].found)
            || !strstr(fault.text, bad_lines[i].expected))
            fail_msg("%s: %s", bad_lines[i].line, fault.text);
    }
}

static void
a_mistake_names_its_line_and_leaves_the_rows_as_they_were(void **state)
{
    struct rows rows = { .row_size = sizeof(struct radio_reading) };
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(readings_parse("a=1\n\n", 5, READING_AFTER,
                                    READING_BY_OPERATOR, &rows, &fault),
                     0);
    assert_int_equal(rows.count, 1);
    const struct radio_reading *reading = rows_at(&rows, 0);
    assert_int_equal(reading->moment, READING_AFTER);
    assert_int_equal(reading->source, READING_BY_OPERATOR);
    assert_int_equal(readings_parse("b=1\n\nb=2", 8, READING_BEFORE,
                                    READING_BY_COMMAND, &rows, &fault),
                     UV_EINVAL);
    assert_non_null(strstr(fault.text, "line 3: found 'b' twice"));
    assert_int_equal(rows.count, 1);
    rows_clear(&rows);
}

static void more_readings_than_the_limit_are_refused(void **state)
{
    struct rows rows = { .row_size = sizeof(struct radio_reading) };
    struct fault fault = { 0 };
    char text[READINGS_MOST * 8 + 16] = "";
    size_t used = 0;

    (void) state;
    for (int i = 0; i <= READINGS_MOST; i++)
        used +=
            (size_t) snprintf(text + used, sizeof(text) - used, "n%d=1\n", i);
    assert_int_equal(readings_parse(text, used, READING_BEFORE,
                                    READING_BY_COMMAND, &rows, &fault),
                     UV_E2BIG);
    rows_clear(&rows);
}

/* --- the owner's command -------------------------------------------------- */

struct fixture {
    uv_loop_t loop;
    struct agent_config config;
    struct readings *readings;
    unsigned done_count;
    size_t row_count;
    char first_text[READING_TEXT_SIZE];
    struct fault done;
};

static void on_done(void *owner, const struct rows *rows,
                    const struct fault *fault)
{
    struct fixture *fixture = owner;

    fixture->done_count++;
    fixture->done = *fault;
    fixture->row_count = rows ? rows->count : 0;
    if (fixture->row_count)
        (void) snprintf(
            fixture->first_text, sizeof(fixture->first_text), "%s",
            ((const struct radio_reading *) rows_at(rows, 0))->text);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) uv_loop_init(&fixture->loop);
    fixture->readings = readings_open(&fixture->loop, &fixture->config);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    readings_close(fixture->readings);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    config_clear(&fixture->config);
    free(fixture);
    return 0;
}

static void command(struct fixture *fixture, const char *script)
{
    const char *const words[] = { "/bin/sh", "-c", script };

    for (size_t i = 0; i < COUNT_OF(words); i++)
        fixture->config.readings_command[i] = strdup(words[i]);
}

static void run_until_told(struct fixture *fixture, unsigned count)
{
    while (fixture->done_count < count)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void an_agent_without_a_command_reads_nothing(void **state)
{
    const struct fixture *fixture = *state;

    assert_false(readings_can(fixture->readings));
}

static void what_the_command_prints_is_read(void **state)
{
    struct fixture *fixture = *state;

    command(fixture, "printf 'supply_v=12.1\\nsignal=-90\\n'");
    readings_ask(fixture->readings, 0, on_done, fixture);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->done.code, 0);
    assert_int_equal(fixture->row_count, 2);
    assert_string_equal(fixture->first_text, "12.1");
    assert_true(readings_took_ns(fixture->readings) > 0);
}

/* The process's own number tells one run of the command from another. */
static void
those_who_ask_together_are_told_the_same_and_later_ones_anew(void **state)
{
    struct fixture *fixture = *state;
    char first[READING_TEXT_SIZE];

    command(fixture, "echo pid=$$");
    readings_ask(fixture->readings, 0, on_done, fixture);
    readings_ask(fixture->readings, 0, on_done, fixture);
    run_until_told(fixture, 1);
    (void) strcpy(first, fixture->first_text);
    run_until_told(fixture, 2);
    assert_string_equal(fixture->first_text, first);
    readings_ask(fixture->readings, 0, on_done, fixture);
    run_until_told(fixture, 3);
    assert_string_not_equal(fixture->first_text, first);
}

static void a_command_that_fails_says_why(void **state)
{
    struct fixture *fixture = *state;

    command(fixture, "echo a=1; echo 'no radio there' >&2; exit 4");
    readings_ask(fixture->readings, 0, on_done, fixture);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->row_count, 0);
    assert_non_null(strstr(fixture->done.text, "status 4: no radio there"));
}

static void output_above_the_limit_is_refused(void **state)
{
    struct fixture *fixture = *state;

    command(fixture, "while :; do echo abcdefghijklmnop=1; done");
    readings_ask(fixture->readings, 0, on_done, fixture);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->done.code, UV_E2BIG);
    assert_non_null(strstr(fixture->done.text, "8192 bytes"));
}

static void
a_command_that_is_not_through_when_the_exchange_begins_is_ended(void **state)
{
    struct fixture *fixture = *state;
    const uint64_t begun_ns = clock_now_ns();

    command(fixture, "sleep 60");
    readings_ask(fixture->readings, begun_ns + 100 * NS_PER_MS, on_done,
                 fixture);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->done.code, UV_ETIMEDOUT);
    assert_true(clock_now_ns() - begun_ns < 30 * NS_PER_S);
}

static void nothing_is_started_when_no_time_is_left(void **state)
{
    struct fixture *fixture = *state;

    command(fixture, "echo a=1");
    readings_ask(fixture->readings, 1, on_done, fixture);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->done.code, UV_ETIMEDOUT);
    assert_non_null(strstr(fixture->done.text, "before the start"));
}

static void who_has_gone_is_not_told(void **state)
{
    struct fixture *fixture = *state;

    command(fixture, "sleep 0.2; echo a=1");
    readings_ask(fixture->readings, 0, on_done, fixture);
    (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    readings_forget(fixture->readings, fixture);
    readings_try(fixture->readings);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->done_count, 0);
}

static void closing_ends_a_command_that_runs(void **state)
{
    struct fixture *fixture = *state;
    const uint64_t begun_ns = clock_now_ns();

    command(fixture, "sleep 60");
    readings_ask(fixture->readings, 0, on_done, fixture);
    (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    readings_cancel(fixture->readings);
    run_until_told(fixture, 1);
    assert_int_equal(fixture->done.code, UV_ECANCELED);
    assert_true(clock_now_ns() - begun_ns < 30 * NS_PER_S);
}

#define WITH_COMMAND(name)                                                     \
    cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_line_is_a_name_a_text_and_a_number_where_it_is_one),
        cmocka_unit_test(what_is_no_such_line_is_refused_with_what_was_found),
        cmocka_unit_test(
            a_mistake_names_its_line_and_leaves_the_rows_as_they_were),
        cmocka_unit_test(more_readings_than_the_limit_are_refused),
        WITH_COMMAND(an_agent_without_a_command_reads_nothing),
        WITH_COMMAND(what_the_command_prints_is_read),
        WITH_COMMAND(
            those_who_ask_together_are_told_the_same_and_later_ones_anew),
        WITH_COMMAND(a_command_that_fails_says_why),
        WITH_COMMAND(output_above_the_limit_is_refused),
        WITH_COMMAND(
            a_command_that_is_not_through_when_the_exchange_begins_is_ended),
        WITH_COMMAND(nothing_is_started_when_no_time_is_left),
        WITH_COMMAND(who_has_gone_is_not_told),
        WITH_COMMAND(closing_ends_a_command_that_runs),
    };

    return cmocka_run_group_tests_name("readings", tests, NULL, NULL);
}
