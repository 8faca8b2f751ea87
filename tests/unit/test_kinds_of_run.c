/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/kinds_of_run.h"

#include "reports/gain.h"
#include "reports/html.h"
#include "reports/newsletter.h"
#include "reports/newsletter_words.h"
#include "reports/report.h"
#include "tests/support/report_structure.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

/*
 * What reports of all kinds of run look like: tests/unit/fixtures/report/KIND
 * holds the headings, the heads of tables with their number of rows, and the
 * charts.  WRITE=1 in the environment writes them anew, to be looked at.
 */
#define FIXTURES TEST_FOLDER "/fixtures/report"

struct fixture {
    struct made_run made;
    char folder[128];
    struct report_summary summary;
};

static void write_kind(struct fixture *fixture, const struct kind_of_run *kind)
{
    struct fault fault = { 0 };

    kind_of_run_make(kind, &fixture->made);
    (void) snprintf(fixture->folder, sizeof(fixture->folder), "%s/report",
                    fixture->made.folder);
    if (report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, fixture->folder, &fixture->summary,
                     &fault))
        fail_msg("%s: %s", kind->name, fault.text);
}

/* All of them, made and reported on once. */
static int set_up(void **state)
{
    struct fixture *fixtures = calloc(kinds_of_run_count, sizeof(*fixtures));

    if (!fixtures)
        return -1;
    for (size_t i = 0; i < kinds_of_run_count; i++)
        write_kind(&fixtures[i], &kinds_of_run[i]);
    *state = fixtures;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixtures = *state;

    for (size_t i = 0; i < kinds_of_run_count; i++)
        made_run_clear(&fixtures[i].made);
    free(fixtures);
    return 0;
}

typedef void check_fn(struct fixture *fixture, const struct kind_of_run *kind);

static void check_all(void **state, check_fn *check)
{
    struct fixture *fixtures = *state;

    for (size_t i = 0; i < kinds_of_run_count; i++)
        check(&fixtures[i], &kinds_of_run[i]);
}

/* --- structure ------------------------------------------------------------ */

static void write_fixture(const char *name, const char *structure)
{
    char path[512];

    (void) snprintf(path, sizeof(path), FIXTURES "/%s", name);
    FILE *out = fopen(path, "w");

    assert_non_null(out);
    (void) fputs(structure, out);
    assert_int_equal(fclose(out), 0);
}

static void check_structure(struct fixture *fixture,
                            const struct kind_of_run *kind)
{
    char *report = report_read(fixture->folder, "report.md");
    char *structure = report_structure(report);

    if (getenv("WRITE"))
        write_fixture(kind->name, structure);
    char *expected = report_read(FIXTURES, kind->name);

    if (strcmp(structure, expected) != 0)
        fail_msg("%s is\n%s\nexpected\n%s\n", kind->name, structure, expected);
    free(report);
    free(structure);
    free(expected);
}

static void each_kind_of_run_has_its_headings_tables_and_charts(void **state)
{
    check_all(state, check_structure);
}

/* --- nothing broken ------------------------------------------------------- */

static void check_soundness(struct fixture *fixture,
                            const struct kind_of_run *kind)
{
    static const char *const names[] = { "report.md", "newsletter.md" };
    char text[400];

    for (size_t i = 0; i < COUNT_OF(names); i++) {
        char *markdown = report_read(fixture->folder, names[i]);

        report_objection(markdown, fixture->folder, text, sizeof(text));
        if (text[0])
            fail_msg("%s of %s: %s", names[i], kind->name, text);
        /* Not a number, an exponent, or a figure that was not worked out. */
        if (strstr(markdown, "nan") || strstr(markdown, "e+0")
            || strstr(markdown, "inf "))
            fail_msg("%s of %s has a broken figure:\n%s", names[i], kind->name,
                     markdown);
        free(markdown);
    }
}

static void no_report_has_a_broken_link_picture_or_table(void **state)
{
    check_all(state, check_soundness);
}

static size_t count_of(const char *text, const char *part)
{
    size_t count = 0;

    for (const char *at = text; (at = strstr(at, part)); at += strlen(part))
        count++;
    return count;
}

/* As many tables and pictures in the one file, the pictures within it. */
static void check_html(struct fixture *fixture, const struct kind_of_run *kind)
{
    struct fault fault = { 0 };

    assert_int_equal(
        html_write(fixture->folder, fixture->summary.title, &fault), 0);
    char *report = report_read(fixture->folder, "report.md");
    char *structure = report_structure(report);
    char *html = report_read(fixture->folder, "report.html");
    const bool has_all =
        count_of(html, "<table>") == count_of(structure, "table |")
        && count_of(html, "<img") == count_of(structure, "chart ")
        && count_of(html, "src=\"data:image/svg+xml;base64,")
               == count_of(structure, "chart ");

    if (!has_all || strstr(html, "|---"))
        fail_msg("report.html of %s lacks something of\n%s", kind->name,
                 structure);
    free(report);
    free(structure);
    free(html);
}

static void the_one_file_has_all_tables_and_charts(void **state)
{
    check_all(state, check_html);
}

/* --- the newsletter ------------------------------------------------------- */

static void check_newsletter(struct fixture *fixture,
                             const struct kind_of_run *kind)
{
    char *piece = report_read(fixture->folder, "newsletter.md");
    char *structure = report_structure(piece);
    const size_t words = spoken_tokens(piece);

    if (words < NEWSLETTER_LEAST || words > NEWSLETTER_MOST)
        fail_msg("the piece on %s has %zu words:\n%s", kind->name, words,
                 piece);
    if (count_of(structure, "table ") > 1 || count_of(structure, "chart ") > 1
        || count_of(structure, "# ") != 1)
        fail_msg("the piece on %s:\n%s", kind->name, structure);
    /* Every sentence begins after a blank. */
    for (const char *stop = piece; (stop = strchr(stop, '.')); stop++) {
        if (stop[1] >= 'A' && stop[1] <= 'Z')
            fail_msg("the piece on %s runs on: %.40s", kind->name, stop);
    }
    free(piece);
    free(structure);
}

static void every_newsletter_has_150_to_250_words(void **state)
{
    check_all(state, check_newsletter);
}

/* --- before and after ----------------------------------------------------- */

/* Two runs in one logbook, the second one under a new antenna. */
static void two_runs_of_rounds_are_compared_step_by_step(void **state)
{
    const struct kind_of_run *kind = kind_of_run("rounds");
    struct gain_table table;
    struct fault fault = { 0 };
    struct made_run made;
    char *text = NULL;
    size_t size = 0;

    (void) state;
    kind_of_run_make(kind, &made);
    assert_int_equal(logbook_begin_run(made.logbook, &made.run, &fault), 0);
    kind->fill(&made);
    assert_int_equal(gain_compare(made_run_database(&made), 1, &made.plan, 2,
                                  &made.plan, 0.1, &table, &fault),
                     0);
    FILE *out = open_memstream(&text, &size);

    gain_write_text(&table, out);
    (void) fclose(out);
    if (getenv("SHOW"))
        print_message("%s\n", text);
    assert_int_equal(count_of(text, "verdict   no change beyond 10 %"), 4);
    assert_int_equal(count_of(text, "rounds    5 before, 5 after"), 4);
    gain_table_clear(&table);
    free(text);
    made_run_clear(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_kind_of_run_has_its_headings_tables_and_charts),
        cmocka_unit_test(no_report_has_a_broken_link_picture_or_table),
        cmocka_unit_test(the_one_file_has_all_tables_and_charts),
        cmocka_unit_test(every_newsletter_has_150_to_250_words),
        cmocka_unit_test(two_runs_of_rounds_are_compared_step_by_step),
    };

    return cmocka_run_group_tests(tests, set_up, tear_down);
}
