/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/display.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

struct fixture {
    struct display display;
    FILE *out;
    char *text;
    size_t size;
};

static int setup(void **state)
{
    struct fixture *f = calloc(1, sizeof(*f));

    f->out = open_memstream(&f->text, &f->size);
    f->display.out = f->out;
    *state = f;
    return 0;
}

static int teardown(void **state)
{
    struct fixture *f = *state;

    (void) fclose(f->out);
    free(f->text);
    free(f);
    return 0;
}

static const struct display_row row = { "slow", "ping", "hill > dale" };

static void a_finished_exchange_is_one_plain_line(void **state)
{
    struct fixture *f = *state;

    display_done(&f->display, &row, TONE_GOOD, "40 of 40 answered");
    assert_string_equal(f->text, " slow     ping      hill > dale     "
                                 "40 of 40 answered\n");
}

static void long_names_get_room_in_every_line(void **state)
{
    static const struct display_row far = { "slow", "ping",
                                            "lighthouse > harbour" };
    struct fixture *f = *state;

    display_make_room(&f->display, "very-very-slow", "lighthouse > harbour");
    display_make_room(&f->display, "slow", "hill > dale");
    display_done(&f->display, &row, TONE_GOOD, "40 of 40 answered");
    display_done(&f->display, &far, TONE_GOOD, "3 of 4 answered");
    assert_string_equal(
        f->text,
        " slow            ping      hill > dale           40 of 40 answered\n"
        " slow            ping      lighthouse > harbour  3 of 4 answered\n");
}

static void nothing_is_written_over_where_there_is_no_terminal(void **state)
{
    struct fixture *f = *state;

    display_live(&f->display, &row, "0:20 left");
    display_clear_live(&f->display);
    assert_int_equal(f->size, 0);
}

static void a_file_is_no_terminal(void **state)
{
    struct display display;
    FILE *file = tmpfile();

    (void) state;
    display_init(&display, file);
    assert_false(display.is_live);
    assert_false(display.has_colour);
    (void) fclose(file);
}

static void the_live_line_is_cut_to_the_terminal(void **state)
{
    struct fixture *f = *state;

    f->display.is_live = true;
    f->display.width = 30;
    display_live(&f->display, &row, "0:20 left of a long exchange");
    assert_string_equal(f->text, " slow     ping      hill > d…");
    assert_true(f->display.line_is_up);
}

static void the_live_line_gives_way_to_the_finished_one(void **state)
{
    struct fixture *f = *state;

    f->display.is_live = true;
    f->display.width = 80;
    display_live(&f->display, &row, "0:20 left");
    const size_t live_bytes = f->size;
    display_done(&f->display, &row, TONE_PLAIN, "done");
    assert_int_equal(strncmp(f->text + live_bytes, "\r\033[K", 4), 0);
    assert_non_null(strstr(f->text + live_bytes, "done\n"));
    assert_false(f->display.line_is_up);
}

static void a_long_saying_is_folded_at_blanks_under_itself(void **state)
{
    struct fixture *f = *state;

    f->display.is_live = true;
    f->display.width = 32;
    display_say(&f->display, "mind", TONE_PLAIN, "%s",
                "keep people away from the antenna");
    assert_string_equal(f->text, " mind     keep people away from\n"
                                 "          the antenna\n");
}

static void colour_is_used_only_where_it_is_wanted(void **state)
{
    struct fixture *f = *state;

    display_done(&f->display, &row, TONE_BAD, "bad");
    assert_null(strchr(f->text, '\033'));
    f->display.has_colour = true;
    display_done(&f->display, &row, TONE_BAD, "bad");
    assert_non_null(strstr(f->text, "\033[31mbad\033[0m"));
}

static void texts_from_outside_cannot_steer_the_terminal(void **state)
{
    static const struct {
        const char *text, *shown;
    } cases[] = {
        { "hill\033[2Jdale", "hill?[2Jdale" },
        { "a\nb\tc\x7f", "a?b?c?" },
        { "a\xc2\x9b"
          "31m",
          "a?31m" }, /* CSI as a C1 character */
        { "a\xe2\x80\xae"
          "b",
          "a?b" },                    /* U+202E turns the writing */
        { "bad \xff\xc3", "bad ??" }, /* no UTF-8 */
        { "grüße €", "grüße €" },
    };
    char clean[64];

    (void) state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        display_clean(cases[i].text, 0, clean, sizeof(clean));
        assert_string_equal(clean, cases[i].shown);
    }
}

static void cutting_counts_characters_and_never_splits_one(void **state)
{
    static const struct {
        size_t columns;
        const char *shown;
    } cases[] = {
        { 0, "grüße" }, { 5, "grüße" }, { 4, "grü…" }, { 3, "gr…" }, { 1, "…" },
    };
    char clean[64];

    (void) state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        display_clean("grüße", cases[i].columns, clean, sizeof(clean));
        assert_string_equal(clean, cases[i].shown);
    }
    /* Into little room: cut, but ended. */
    char little[8];
    display_clean("grüße from the hill", 0, little, sizeof(little));
    assert_true(strlen(little) < sizeof(little));
}

static void times_are_told_as_a_clock_does(void **state)
{
    static const struct {
        uint64_t ns;
        const char *shown;
    } cases[] = {
        { 0, "0:00" },
        { 19600000000, "0:20" },
        { 61000000000, "1:01" },
        { 3723000000000, "1:02:03" },
    };
    char text[32];

    (void) state;
    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        display_time(cases[i].ns, text, sizeof(text));
        assert_string_equal(text, cases[i].shown);
    }
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_finished_exchange_is_one_plain_line),
        TEST(long_names_get_room_in_every_line),
        TEST(nothing_is_written_over_where_there_is_no_terminal),
        TEST(a_file_is_no_terminal),
        TEST(the_live_line_is_cut_to_the_terminal),
        TEST(the_live_line_gives_way_to_the_finished_one),
        TEST(a_long_saying_is_folded_at_blanks_under_itself),
        TEST(colour_is_used_only_where_it_is_wanted),
        TEST(texts_from_outside_cannot_steer_the_terminal),
        TEST(cutting_counts_characters_and_never_splits_one),
        TEST(times_are_told_as_a_clock_does),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
