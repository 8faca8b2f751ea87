/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Plans are read, or refused with all their mistakes.  The cases are folders
 * in fixtures/plan: plan.yaml, and, where it must be refused, expected (the
 * printed mistakes, whole).  A new case needs no C.
 */
#include "controller/plan/reader.h"
#include "controller/plan/starter.h"
#include "controller/plan/writer.h"
#include "controller/quantity.h"
#include "tests/support/plan_property.h"

#include <bothends/draw.h>
#include <dirent.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

#define CASES_FOLDER   TEST_FOLDER "/fixtures/plan"
#define CASES_LEAST    35
#define MUTATION_COUNT 10000
#define MUTATION_ROOM  4096

static char *read_whole(const char *path, size_t *ret_bytes)
{
    FILE *file = fopen(path, "rb");
    char *text = NULL;
    size_t bytes = 0;

    if (!file)
        return NULL;
    FILE *out = open_memstream(&text, &bytes);
    assert_non_null(out);
    for (int c = fgetc(file); c != EOF; c = fgetc(file))
        (void) fputc(c, out);
    (void) fclose(file);
    (void) fclose(out);
    *ret_bytes = bytes;
    return text;
}

static char *print_mistakes(const char *path)
{
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    struct plan plan;
    char *plan_text = NULL, *printed = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&printed, &bytes);

    assert_non_null(out);
    (void) plan_read_file(path, &plan, &plan_text, &mistakes, &fault);
    assert_int_equal(fault.code, 0);
    plan_mistakes_print(out, "plan.yaml", &mistakes);
    (void) fclose(out);
    plan_mistakes_clear(&mistakes);
    plan_clear(&plan);
    free(plan_text);
    return printed;
}

/* In an expected line an ellipsis stands for anything: a list of all the keys
 * that there are changes with every new one. */
static bool line_is_as_expected(const char *line, size_t length,
                                const char *expected, size_t expected_length)
{
    static const char ellipsis[] = "\xe2\x80\xa6";
    const char *gap =
        memmem(expected, expected_length, ellipsis, strlen(ellipsis));

    if (!gap)
        return length == expected_length && memcmp(line, expected, length) == 0;
    const size_t before = (size_t) (gap - expected);
    const size_t after = expected_length - before - strlen(ellipsis);

    return length >= before + after && memcmp(line, expected, before) == 0
           && memcmp(line + length - after, gap + strlen(ellipsis), after) == 0;
}

static bool text_is_as_expected(const char *text, const char *expected)
{
    while (*text && *expected) {
        const size_t length = strcspn(text, "\n");
        const size_t expected_length = strcspn(expected, "\n");

        if (!line_is_as_expected(text, length, expected, expected_length)
            || text[length] != expected[expected_length])
            return false;
        text += length + (text[length] == '\n');
        expected += expected_length + (expected[expected_length] == '\n');
    }
    return *text == *expected;
}

static void check_case(const char *name)
{
    char plan_path[512], expected_path[512];
    size_t bytes = 0, expected_bytes = 0;

    (void) snprintf(plan_path, sizeof(plan_path), "%s/%s/plan.yaml",
                    CASES_FOLDER, name);
    (void) snprintf(expected_path, sizeof(expected_path), "%s/%s/expected",
                    CASES_FOLDER, name);
    char *text = read_whole(plan_path, &bytes);
    char *expected = read_whole(expected_path, &expected_bytes);
    char *printed = print_mistakes(plan_path);

    assert_non_null(text);
    if (!text_is_as_expected(printed, expected ? expected : ""))
        fail_msg("%s\nprinted:\n%s\nexpected:\n%s", name, printed,
                 expected ? expected : "");
    const char *broken = plan_property_broken(text, bytes);
    if (broken)
        fail_msg("%s: %s", name, broken);
    free(text);
    free(expected);
    free(printed);
}

static void every_case_is_read_or_refused_as_its_folder_says(void **state)
{
    DIR *folder = opendir(CASES_FOLDER);
    size_t case_count = 0;

    (void) state;
    assert_non_null(folder);
    for (struct dirent *entry = readdir(folder); entry;
         entry = readdir(folder)) {
        if (entry->d_name[0] == '.')
            continue;
        check_case(entry->d_name);
        case_count++;
    }
    (void) closedir(folder);
    assert_true(case_count >= CASES_LEAST);
}

static char *read_good_plan(size_t *ret_bytes)
{
    char *text = read_whole(CASES_FOLDER
                            "/good-with-everything-about-the-link/plan.yaml",
                            ret_bytes);

    assert_non_null(text);
    return text;
}

static void a_plan_becomes_the_numbers_that_it_states(void **state)
{
    struct plan_mistakes mistakes;
    struct plan plan;
    size_t bytes = 0;
    char *text = read_good_plan(&bytes);

    (void) state;
    assert_int_equal(plan_read_text(text, bytes, &plan, &mistakes), 0);
    assert_string_equal(plan.title, "First light on the long path");
    assert_true(plan.on_air);
    assert_int_equal(plan.rounds, 5);
    assert_int_equal(plan.set_steps, SET_BY_HAND);
    assert_true(plan.link.frequency_hz == 438.2e6);
    assert_true(plan.link.slot_limit_ns.low == 250e6);
    assert_int_equal(plan.link.frame_payload_bytes, 240);
    assert_true(plan.link.limit_duty_ratio == 0.6);
    assert_int_equal(plan.step_count, 3);
    assert_true(plan.steps[2].symbol_rate_bd.high == 120e3);
    assert_true(plan.steps[2].code_rate_ratio == 5.0 / 6);
    assert_true(plan.steps[2].sensitivity_dbm == -96);
    assert_false(range_is_said(plan.steps[2].usable_rate_bps));
    assert_int_equal(plan.end_count, 2);
    assert_string_equal(plan.ends[1].name, "skerry");
    assert_int_equal(plan.ends[1].role, ROLE_STATION);
    assert_int_equal(plan.ends[1].port, AGENT_PORT);
    assert_true(plan.ends[1].antenna_gain_dbi == 11);
    assert_int_equal(plan.controller_end, 0);
    plan_clear(&plan);
    free(text);
}

static void a_sequence_becomes_groups_that_run_at_once(void **state)
{
    struct plan_mistakes mistakes;
    struct plan plan;
    size_t bytes = 0;
    char *text = read_good_plan(&bytes);

    (void) state;
    assert_int_equal(plan_read_text(text, bytes, &plan, &mistakes), 0);
    assert_int_equal(plan.exchange_count, 6);
    assert_int_equal(plan.group_count, 5);
    assert_int_equal(plan.groups[4].first, 4);
    assert_int_equal(plan.groups[4].count, 2);

    const struct plan_exchange *ping = &plan.exchanges[1];
    const struct ping_spec *spec = (const void *) ping->spec.bytes;
    assert_string_equal(ping->kind->name, "ping");
    assert_int_equal(ping->from_end, 1);
    assert_int_equal(ping->to_end, -1);
    assert_string_equal(ping->to, "10.71.0.1");
    assert_int_equal(spec->count, 10);
    assert_int_equal(spec->gap_ns.form, SPREAD_UNIFORM);
    assert_true(spec->gap_ns.low == 0.5e9 && spec->gap_ns.high == 1.5e9);
    plan_clear(&plan);
    free(text);
}

static void read_starter(bool is_all)
{
    char *text = NULL;
    size_t bytes = 0, line_count = 0;
    FILE *out = open_memstream(&text, &bytes);
    struct plan_mistakes mistakes;
    struct plan plan;

    assert_non_null(out);
    starter_print(out, is_all);
    (void) fclose(out);
    for (const char *line = text; *line; line += strcspn(line, "\n") + 1)
        line_count++;
    assert_true(is_all ? line_count > 150 : line_count < 95);
    if (plan_read_text(text, bytes, &plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "draft", &mistakes);
    assert_int_equal(mistakes.count, 0);
    assert_int_equal(plan.step_count, 2);
    plan_clear(&plan);
    assert_null(plan_property_broken(text, bytes));
    free(text);
}

static void the_starter_plan_reads_without_a_mistake(void **state)
{
    (void) state;
    read_starter(false);
    read_starter(true);
}

/* What stands behind a '#' is right, too: all comments of the long one taken
 * off, key by key, it still reads. */
static void every_key_of_the_starter_plan_may_be_said(void **state)
{
    char *text = NULL;
    size_t bytes = 0, key_count = 0;
    FILE *out = open_memstream(&text, &bytes);

    (void) state;
    assert_non_null(out);
    starter_print(out, true);
    (void) fclose(out);
    for (char *line = text; *line; line += strcspn(line, "\n") + 1) {
        const size_t indent = strspn(line, " ");
        struct plan_mistakes mistakes;
        struct plan plan;

        /* Keys of the link and of its mappings that are said already. */
        if (line > strstr(text, "\nsteps:") || strncmp(line, "  # ", 4) != 0
            || indent != 2 || line[4] == ' '
            || line[strcspn(line, ":\n") + 1] != ' ')
            continue;
        line[2] = ' ';
        memmove(line + 2, line + 4, strcspn(line, "#\n") - 4);
        (void) plan_read_text(text, bytes, &plan, &mistakes);
        if (mistakes.count)
            plan_mistakes_print(stderr, "draft", &mistakes);
        assert_int_equal(mistakes.count, 0);
        plan_clear(&plan);
        key_count++;
    }
    assert_true(key_count >= 8);
    free(text);
}

/* What starter_print_to() prints, read again; the caller clears both. */
static char *read_starter_to(const struct starter_way *way, bool has_rungs,
                             struct plan *ret_plan)
{
    struct plan_mistakes mistakes;
    char *text = NULL, *rung;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);

    assert_non_null(out);
    starter_print_to(out, way);
    (void) fclose(out);
    /* As somebody would who takes the '#' away from the rungs. */
    static const char *const commented[] = {
        "\n  # own-radio:", "\n  # far-radio:", "\n  # router:", "\n  # - ping:"
    };
    for (size_t i = 0; has_rungs && i < COUNT_OF(commented); i++) {
        while ((rung = strstr(text, commented[i])) != NULL) {
            char *mark = strchr(rung, '#');

            memmove(mark, mark + 2, strlen(mark + 2) + 1);
        }
    }
    if (plan_read_text(text, strlen(text), ret_plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "draft --to", &mistakes);
    assert_int_equal(mistakes.count, 0);
    return text;
}

static void the_plan_to_an_address_reads_as_one_ping_from_here(void **state)
{
    static const struct starter_way ways[] = {
        { "192.0.2.9", "192.0.2.2", "eth0" },
        { "2001:db8::9", "2001:db8::2", "radio0.7" },
        { "hut.example", "198.51.100.2", "" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(ways); i++) {
        struct plan plan;
        char *text = read_starter_to(&ways[i], false, &plan);
        const struct plan_end *near = &plan.ends[plan.controller_end];
        const struct plan_end *far = &plan.ends[plan.exchanges[0].to_end];

        assert_int_equal(plan.end_count, 2);
        assert_int_equal(plan.exchange_count, 1);
        assert_string_equal(plan.exchanges[0].kind->name, "ping");
        assert_string_equal(near->address, ways[i].address);
        assert_string_equal(near->interface, ways[i].interface);
        assert_int_equal(near->agent, AGENT_RUNS);
        assert_string_equal(far->address, ways[i].to);
        assert_int_equal(far->agent, AGENT_NONE);
        assert_int_equal(far->landmark, LANDMARK_FAR_COMPUTER);
        assert_null(plan_property_broken(text, strlen(text)));
        plan_clear(&plan);
        free(text);
    }
}

static void
its_rungs_are_right_when_the_comment_marks_are_taken_away(void **state)
{
    const struct starter_way way = { "192.0.2.9", "192.0.2.2", "eth0" };
    struct plan plan;
    char *text = read_starter_to(&way, true, &plan);

    (void) state;
    assert_int_equal(plan.end_count, 5);
    assert_int_equal(plan.exchange_count, 4);
    for (size_t i = 0; i < plan.exchange_count; i++)
        assert_int_equal(plan.ends[plan.exchanges[i].to_end].landmark,
                         LANDMARK_OWN_RADIO + (int) i);
    plan_clear(&plan);
    free(text);
}

/* Explanations in several lines are put into one. */
static void unfold(char *text)
{
    static const char fold[] = "\n                                      #";

    for (char *at = strstr(text, fold); at; at = strstr(at, fold))
        memmove(at, at + strlen(fold), strlen(at + strlen(fold)) + 1);
}

static void assert_explains(const char *text, const struct field *fields,
                            size_t field_count)
{
    for (size_t i = 0; i < field_count; i++) {
        char key[64];

        if (!fields[i].key)
            continue;
        const char *dot = strrchr(fields[i].key, '.');
        (void) snprintf(key, sizeof(key),
                        " %s: ", dot ? dot + 1 : fields[i].key);
        if (!strstr(text, key) && strncmp(text, key + 1, strlen(key) - 1) != 0
            && !strstr(text, fields[i].help))
            fail_msg("the starter plan does not show %s", fields[i].key);
        if (!strstr(text, fields[i].help))
            fail_msg("the starter plan does not explain %s", fields[i].key);
    }
}

/* As somebody would who takes the '#' away from all of it. */
static void
its_practice_part_reads_when_the_comment_marks_are_taken_away(void **state)
{
    char *text = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);
    struct plan_mistakes mistakes;
    struct plan plan;

    (void) state;
    assert_non_null(out);
    starter_print(out, true);
    (void) fclose(out);
    char *part = strstr(text, "\n# practice:");
    assert_non_null(part);
    for (char *line = part; line; line = strchr(line + 1, '\n')) {
        char *mark = line + 1 + strspn(line + 1, " ");

        if (*mark == '#')
            memmove(mark, mark + 2, strlen(mark + 2) + 1);
    }
    if (plan_read_text(text, strlen(text), &plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "draft", &mistakes);
    assert_int_equal(mistakes.count, 0);
    assert_int_equal(plan.practice.event_count, 2);
    assert_true(plan.practice.ends[1].is_translated);
    assert_null(plan_property_broken(text, strlen(text)));
    plan_clear(&plan);
    free(text);
}

static void the_starter_plan_explains_every_key(void **state)
{
    char *text = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);

    (void) state;
    assert_non_null(out);
    starter_print(out, true);
    (void) fclose(out);
    unfold(text);
    assert_explains(text, plan_fields, COUNT_OF(plan_fields));
    assert_explains(text, link_fields, COUNT_OF(link_fields));
    assert_explains(text, step_fields, COUNT_OF(step_fields));
    assert_explains(text, end_fields, COUNT_OF(end_fields));
    assert_explains(text, practice_fields, COUNT_OF(practice_fields));
    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++)
        assert_explains(text, exchange_kinds[i]->spec_fields,
                        exchange_kinds[i]->spec_field_count);
    free(text);
}

static void a_file_above_one_megabyte_is_refused_unread(void **state)
{
    const size_t bytes = 1000001;
    char *text = malloc(bytes);
    struct plan_mistakes mistakes;
    struct plan plan;

    (void) state;
    assert_non_null(text);
    memset(text, '#', bytes);
    assert_int_not_equal(plan_read_text(text, bytes, &plan, &mistakes), 0);
    assert_int_equal(mistakes.count, 1);
    assert_string_equal(mistakes.items[0].found, "more than 1 MB");
    plan_mistakes_clear(&mistakes);
    free(text);
}

static void a_file_that_is_not_there_is_a_fault_and_not_a_mistake(void **state)
{
    struct plan_mistakes mistakes;
    struct fault fault = { 0 };
    struct plan plan;
    char *text = NULL;

    (void) state;
    assert_int_not_equal(plan_read_file(TEST_FOLDER "/no/such.yaml", &plan,
                                        &text, &mistakes, &fault),
                         0);
    assert_int_equal(mistakes.count, 0);
    assert_null(text);
    assert_non_null(strstr(fault.text, "cannot open"));
    assert_non_null(strstr(fault.text, "no such file"));
}

/* Pieces that mean something to YAML or to the reader; one turns the direction
 * of writing, on purpose. */
/* NOLINTBEGIN(misc-misleading-bidirectional) */
static const char *const pieces[] = {
    ": ",  "- ",    "{",    "}",     "[",         "]",    ",",
    "\n",  "  ",    "\t",   "#",     "&a ",       "*a",   "!t ",
    "\"",  "'",     "|\n",  "..",    " ms",       " kB",  "about ",
    "3/0", "1e999", "-1",   "99999", "ping: ",    "null", "~",
    "---", "\\x00", "\xc2", "\x1b",  "together:", "% ",   "\xe2\x80\xae",
};
/* NOLINTEND(misc-misleading-bidirectional) */

static size_t mutate(struct draw *draw, char *text, size_t bytes)
{
    const size_t at = (size_t) (draw_unit(draw) * (double) bytes);
    const size_t length = 1 + (size_t) (draw_unit(draw) * draw_unit(draw) * 40);
    const char *piece = pieces[draw_next(draw) % COUNT_OF(pieces)];
    const size_t piece_bytes = strlen(piece);

    switch (draw_next(draw) % 4) {
    case 0: /* another byte */
        text[at] = (char) draw_next(draw);
        return bytes;
    case 1: /* a piece put in */
        if (bytes + piece_bytes > MUTATION_ROOM)
            return bytes;
        memmove(text + at + piece_bytes, text + at, bytes - at);
        for (size_t i = 0; i < piece_bytes; i++)
            text[at + i] = piece[i];
        return bytes + piece_bytes;
    case 2: /* a stretch left out */
        if (at + length >= bytes)
            return bytes;
        memmove(text + at, text + at + length, bytes - at - length);
        return bytes - length;
    default: /* a stretch twice */
        if (at + length >= bytes || bytes + length > MUTATION_ROOM)
            return bytes;
        memmove(text + at + length, text + at, bytes - at);
        return bytes + length;
    }
}

static void no_mutation_of_a_good_plan_breaks_the_reader(void **state)
{
    const char *given = getenv("BOTHENDS_TEST_SEED");
    const uint64_t seed = given ? strtoull(given, NULL, 10) : 1;
    struct draw draw = { seed };
    size_t good_bytes = 0;
    char *good = read_good_plan(&good_bytes);
    char text[MUTATION_ROOM];

    (void) state;
    assert_true(good_bytes > 1 && good_bytes < MUTATION_ROOM);
    for (size_t i = 0; i < MUTATION_COUNT; i++) {
        const size_t mutation_count = 1 + draw_next(&draw) % 4;
        size_t bytes = good_bytes;

        memcpy(text, good, good_bytes);
        for (size_t j = 0; j < mutation_count; j++)
            bytes = mutate(&draw, text, bytes);
        const char *broken = plan_property_broken(text, bytes);
        if (broken)
            fail_msg("seed %llu, mutation %zu: %s\n%.*s",
                     (unsigned long long) seed, i, broken, (int) bytes, text);
    }
    free(good);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_case_is_read_or_refused_as_its_folder_says),
        cmocka_unit_test(a_plan_becomes_the_numbers_that_it_states),
        cmocka_unit_test(a_sequence_becomes_groups_that_run_at_once),
        cmocka_unit_test(the_starter_plan_reads_without_a_mistake),
        cmocka_unit_test(every_key_of_the_starter_plan_may_be_said),
        cmocka_unit_test(the_plan_to_an_address_reads_as_one_ping_from_here),
        cmocka_unit_test(
            its_rungs_are_right_when_the_comment_marks_are_taken_away),
        cmocka_unit_test(
            its_practice_part_reads_when_the_comment_marks_are_taken_away),
        cmocka_unit_test(the_starter_plan_explains_every_key),
        cmocka_unit_test(a_file_above_one_megabyte_is_refused_unread),
        cmocka_unit_test(a_file_that_is_not_there_is_a_fault_and_not_a_mistake),
        cmocka_unit_test(no_mutation_of_a_good_plan_breaks_the_reader),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
