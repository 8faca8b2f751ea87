/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/options.h"

#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

struct sail_options {
    char out[32];
    uint64_t seed;
    uint64_t wait_ns;
    bool json;
    char wind[16];
};

/* clang-format off */
static const struct field sail_fields[] = {
    OPTION_OUT(struct sail_options, out, "sails", ""),
    OPTION_SEED(struct sail_options, seed),
    { "TIME", "wait", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct sail_options, wait_ns), 1e6, 60e9, "2 s", NULL, "how long to wait for the wind, which may take longer than anybody on the quay has patience for" },
    OPTION_JSON(struct sail_options, json),
};

static const struct field needy_fields[] = {
    { "WIND", "wind", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct sail_options, wind), 0, 0, NULL, NULL, "which wind" },
};
/* clang-format on */

static const struct command sail = {
    .name = "sail",
    .arguments = "FROM [TO]",
    .help = "go sailing",
    .least_arguments = 1,
    .most_arguments = 2,
    .options = sail_fields,
    .option_count = COUNT_OF(sail_fields),
    .options_size = sizeof(struct sail_options),
};

static const struct command needy = {
    .name = "needy",
    .arguments = "",
    .help = "has an option that must be given",
    .options = needy_fields,
    .option_count = COUNT_OF(needy_fields),
    .options_size = sizeof(struct sail_options),
};

#define WORDS_MAX 8

struct outcome {
    int status;
    struct sail_options options;
    const char *arguments[WORDS_MAX];
    size_t argument_count;
    struct fault fault;
};

static struct outcome read_words(const struct command *command,
                                 const char *const *words)
{
    struct outcome outcome = { 0 };
    size_t word_count = 0;

    while (words[word_count])
        word_count++;
    outcome.status = options_read(command, words, word_count, &outcome.options,
                                  outcome.arguments, &outcome.argument_count,
                                  &outcome.fault);
    return outcome;
}

static void options_stand_anywhere_in_both_spellings(void **state)
{
    static const char *const words[] = { "--out",  "here", "quay", "--seed=7",
                                         "--json", "isle", NULL };
    const struct outcome outcome = read_words(&sail, words);

    (void) state;
    assert_int_equal(outcome.status, 0);
    assert_string_equal(outcome.options.out, "here");
    assert_int_equal(outcome.options.seed, 7);
    assert_true(outcome.options.json);
    assert_int_equal(outcome.argument_count, 2);
    assert_string_equal(outcome.arguments[0], "quay");
    assert_string_equal(outcome.arguments[1], "isle");
}

static void what_is_not_given_is_as_preset(void **state)
{
    static const char *const words[] = { "quay", NULL };
    const struct outcome outcome = read_words(&sail, words);

    (void) state;
    assert_int_equal(outcome.status, 0);
    assert_string_equal(outcome.options.out, "sails");
    assert_int_equal(outcome.options.seed, 0);
    assert_int_equal(outcome.options.wait_ns, 2000000000);
    assert_false(outcome.options.json);
}

static void two_dashes_end_the_options(void **state)
{
    static const char *const words[] = { "--", "--out", "-x", NULL };
    const struct outcome outcome = read_words(&sail, words);

    (void) state;
    assert_int_equal(outcome.status, 0);
    assert_string_equal(outcome.arguments[0], "--out");
    assert_string_equal(outcome.arguments[1], "-x");
    assert_string_equal(outcome.options.out, "sails");
}

static void a_single_dash_is_an_argument(void **state)
{
    static const char *const words[] = { "-", NULL };
    const struct outcome outcome = read_words(&sail, words);

    (void) state;
    assert_int_equal(outcome.status, 0);
    assert_string_equal(outcome.arguments[0], "-");
}

static void help_is_found_among_other_words(void **state)
{
    static const char *const words[] = { "--seed", "3", "--help", NULL };

    (void) state;
    assert_int_equal(read_words(&sail, words).status, OPTIONS_HELP);
}

static void wrong_words_are_refused_in_a_clear_line(void **state)
{
    static const struct {
        const struct command *command;
        const char *words[WORDS_MAX];
        const char *text;
    } cases[] = {
        { &sail,
          { "quay", "--sed", "3" },
          "unknown option '--sed', did you mean '--seed'?" },
        { &sail,
          { "quay", "--sed=3" },
          "unknown option '--sed', did you mean '--seed'?" },
        { &sail,
          { "quay", "--anchorage" },
          "unknown option '--anchorage'; 'bothends sail --help' lists them" },
        { &sail, { "quay", "-o" }, "options are long ones, such as --help" },
        { &sail, { "quay", "--json=yes" }, "option '--json' takes no value" },
        { &sail,
          { "quay", "--out" },
          "option '--out': found nothing, expected text (folder that the "
          "files are written to)" },
        { &sail,
          { "quay", "--wait=5" },
          "option '--wait': found '5', expected a time such as 250 ms" },
        { &sail,
          { "quay", "--wait=5 min" },
          "option '--wait': found '5 min', expected a time from 1 ms to "
          "1 min" },
        { &sail,
          { "quay", "--seed=1", "--seed=2" },
          "option '--seed' is given twice" },
        { &sail,
          { NULL },
          "found no argument, expected: bothends sail FROM [TO]" },
        { &sail,
          { "a", "b", "c" },
          "found 3 arguments, expected: bothends sail FROM [TO]" },
        { &needy, { NULL }, "option '--wind' is needed (which wind)" },
        { &needy, { "x" }, "found 1 argument, expected: bothends needy" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const struct outcome outcome =
            read_words(cases[i].command, cases[i].words);

        assert_true(outcome.status < 0);
        assert_string_equal(outcome.fault.text, cases[i].text);
    }
}

static void the_help_is_made_from_the_rows(void **state)
{
    char *help = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&help, &bytes);

    (void) state;
    assert_non_null(out);
    options_print_help(out, &sail);
    (void) fclose(out);
    assert_string_equal(
        help,
        "usage: bothends sail [OPTIONS] FROM [TO]\n"
        "\n"
        "go sailing\n"
        "\n"
        "  --out DIR             folder that the files are written to; "
        "default: sails\n"
        "  --seed NUMBER         seed of everything that is drawn; default: as "
        "in the\n"
        "                        plan\n"
        "  --wait TIME           how long to wait for the wind, which may take "
        "longer\n"
        "                        than anybody on the quay has patience for "
        "(1 ms to 1\n"
        "                        min); default: 2 s\n"
        "  --json                print JSON, for programs\n"
        "  --help                explain this command\n");
    free(help);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(options_stand_anywhere_in_both_spellings),
        cmocka_unit_test(what_is_not_given_is_as_preset),
        cmocka_unit_test(two_dashes_end_the_options),
        cmocka_unit_test(a_single_dash_is_an_argument),
        cmocka_unit_test(help_is_found_among_other_words),
        cmocka_unit_test(wrong_words_are_refused_in_a_clear_line),
        cmocka_unit_test(the_help_is_made_from_the_rows),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
