/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/options.h"

#include "agent/log.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

#include <cmocka.h>

#define ARGUMENTS_MAX 8

struct line {
    char text[ARGUMENTS_MAX][64];
    char *arguments[ARGUMENTS_MAX + 1];
    int count;
};

/* "--port 1" becomes an argument list; the blanks part. */
static void split(struct line *line, const char *text)
{
    memset(line, 0, sizeof(*line));
    (void) snprintf(line->text[line->count++], 64, "bothends-agent");
    while (*text) {
        const size_t length = strcspn(text, " ");

        (void) snprintf(line->text[line->count++], 64, "%.*s", (int) length,
                        text);
        text += length + (text[length] == ' ');
    }
    for (int i = 0; i < line->count; i++)
        line->arguments[i] = line->text[i];
}

static int read_line(const char *text, struct agent_options *options,
                     struct fault *fault)
{
    struct line line;

    split(&line, text);
    return options_read(line.count, line.arguments, options, fault);
}

static void presets_hold_where_nothing_is_said(void **state)
{
    struct agent_options options;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(read_line("", &options, &fault), 0);
    assert_int_equal(options.port, 7907);
    assert_int_equal(options.log, LOG_LEVEL_WARNING);
    assert_string_equal(options.listen, "");
    assert_false(options.end_with_parent);
}

static void options_are_read_in_both_spellings(void **state)
{
    struct agent_options options;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(read_line("--port 0 --key=a.key --log debug "
                               "--end-with-parent --name=hub",
                               &options, &fault),
                     0);
    assert_int_equal(options.port, 0);
    assert_string_equal(options.key, "a.key");
    assert_string_equal(options.name, "hub");
    assert_int_equal(options.log, LOG_LEVEL_DEBUG);
    assert_true(options.end_with_parent);
}

static void addresses_may_be_given_in_a_list_or_one_by_one(void **state)
{
    struct agent_options options;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        read_line("--listen 127.0.0.1,::1 --listen=10.0.0.1", &options, &fault),
        0);
    assert_string_equal(options.listen, "127.0.0.1,::1,10.0.0.1");
}

/* clang-format off */
static const struct {
    const char *line;
    const char *words;
} mistakes[] = {
    { "--prot 1", "unknown option '--prot'" },
    { "--por=1", "unknown option '--por'" },
    { "7907", "found '7907', expected options only" },
    { "--", "expected options only" },
    { "--port", "--port: found nothing, expected N" },
    { "--port x", "--port: found 'x', expected a whole number from 0 to 65535" },
    { "--port 65536", "from 0 to 65535" },
    { "--port -1", "found '-1'" },
    { "--port 1k", "found '1k'" },
    { "--log loud", "--log: found 'loud', expected one of error, warning, info, debug" },
    { "--help=yes", "--help: found 'yes', expected no value" },
    { "--key=", "--key: found nothing, expected FILE" },
};
/* clang-format on */

static void mistakes_name_the_option_found_and_expected(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(mistakes); i++) {
        struct agent_options options;
        struct fault fault = { 0 };

        assert_int_equal(read_line(mistakes[i].line, &options, &fault),
                         UV_EINVAL);
        if (!strstr(fault.text, mistakes[i].words))
            fail_msg("%s: '%s' lacks '%s'", mistakes[i].line, fault.text,
                     mistakes[i].words);
    }
}

static void help_names_every_option(void **state)
{
    static const char *const words[] = {
        "--listen ADDRESS",  "--port N",    "--key FILE",
        "--new-key",         "--spool DIR", "--config ",
        "--end-with-parent", "--log LEVEL", "--practice-clock FILE",
        "--version",         "--help"
    };
    char *text = NULL;
    size_t text_bytes = 0;
    FILE *out = open_memstream(&text, &text_bytes);

    (void) state;
    options_print_help(out);
    (void) fclose(out);
    for (size_t i = 0; i < COUNT_OF(words); i++)
        assert_non_null(strstr(text, words[i]));
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(presets_hold_where_nothing_is_said),
        cmocka_unit_test(options_are_read_in_both_spellings),
        cmocka_unit_test(addresses_may_be_given_in_a_list_or_one_by_one),
        cmocka_unit_test(mistakes_name_the_option_found_and_expected),
        cmocka_unit_test(help_names_every_option),
    };

    return cmocka_run_group_tests_name("agent_options", tests, NULL, NULL);
}
