/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/kinds_of_run.h"
#include "tests/support/numbers.h"
#include "tests/support/report_structure.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

#define EXAMPLE TEST_FOLDER "/../../reports/example"
/* The folder's text against its results; gives how much was compared. */
static size_t check_folder(const char *name, const char *folder,
                           const char *file)
{
    char *report = report_read(folder, file);
    char *text = report_read(folder, "results.json");
    json_t *results = json_loads(text, 0, NULL);
    struct numbers_found found;

    assert_non_null(results);
    numbers_check(report, json_object_get(results, "findings"), &found);
    if (found.objection[0])
        fail_msg("%s of %s: %s", file, name, found.objection);
    json_decref(results);
    free(report);
    free(text);
    return found.checked_count;
}

static void every_number_of_the_example_is_in_its_results(void **state)
{
    (void) state;
    assert_true(check_folder("the example", EXAMPLE, "report.md") > 250);
    assert_int_equal(check_folder("the example", EXAMPLE, "newsletter.md"), 4);
}

static void write_kind(const struct kind_of_run *kind, struct made_run *made,
                       char *ret_folder, size_t size)
{
    struct report_summary summary;
    struct fault fault = { 0 };

    kind_of_run_make(kind, made);
    (void) snprintf(ret_folder, size, "%s/report", made->folder);
    if (report_write(made_run_database(made), made->run.run, &made->plan,
                     ret_folder, &summary, &fault))
        fail_msg("%s: %s", kind->name, fault.text);
}

static void every_number_of_each_kind_of_run_is_in_its_results(void **state)
{
    (void) state;
    for (size_t i = 0; i < kinds_of_run_count; i++) {
        struct made_run made;
        char folder[128];

        write_kind(&kinds_of_run[i], &made, folder, sizeof(folder));
        /* Messages alone have the fewest. */
        assert_true(check_folder(kinds_of_run[i].name, folder, "report.md")
                    >= 6);
        (void) check_folder(kinds_of_run[i].name, folder, "newsletter.md");
        made_run_clear(&made);
    }
}

/* --- would it see a wrong one? -------------------------------------------- */

/* Another digit for the one at that place; false: there is none. */
static bool change_digit(char *text, size_t place)
{
    if (text[place] < '0' || text[place] > '9')
        return false;
    const int digit = text[place] - '0';

    text[place] = (char) ('1' + digit % 9);
    return true;
}

/* Each leading digit of a table's figures, changed one after another. */
static void a_number_that_is_not_that_of_the_results_is_seen(void **state)
{
    struct made_run made;
    char folder[128];
    size_t changed = 0, seen = 0;

    (void) state;
    write_kind(kind_of_run("works"), &made, folder, sizeof(folder));
    char *report = report_read(folder, "report.md");
    char *text = report_read(folder, "results.json");
    json_t *results = json_loads(text, 0, NULL);
    char *const end = strstr(report, "## What it is good for");
    struct numbers_found found;

    for (char *row = strstr(report, "\n| calm |"); row && row < end;
         row = strstr(row + 1, "| ")) {
        const char kept = row[2];

        if (!change_digit(row, 2))
            continue;
        numbers_check(report, json_object_get(results, "findings"), &found);
        changed++;
        seen += found.objection[0] != '\0';
        row[2] = kept;
    }
    assert_true(changed >= 8);
    assert_int_equal(seen, changed);
    json_decref(results);
    free(report);
    free(text);
    made_run_clear(&made);
}

/* The first digit of each number in that part of the text. */
static bool begins_number(const char *text, const char *at)
{
    return *at >= '0' && *at <= '9' && at > text
           && (at[-1] == ' ' || at[-1] == '(');
}

/* What is said of each way by itself, in sentences and in tables. */
static void a_wrong_number_of_one_way_is_seen(void **state)
{
    struct made_run made;
    char folder[128];
    size_t changed = 0;

    (void) state;
    write_kind(kind_of_run("timing"), &made, folder, sizeof(folder));
    char *report = report_read(folder, "report.md");
    char *text = report_read(folder, "results.json");
    json_t *results = json_loads(text, 0, NULL);
    char *at = strstr(report, "- Between ");
    char *const end = strstr(report, "](charts/one-way-2");
    struct numbers_found found;

    assert_non_null(at);
    assert_non_null(end);
    for (; at < end; at++) {
        const char kept = *at;

        if (!begins_number(report, at))
            continue;
        (void) change_digit(at, 0);
        numbers_check(report, json_object_get(results, "findings"), &found);
        if (!found.objection[0])
            fail_msg("unseen: %.60s", at);
        *at = kept;
        changed++;
    }
    assert_true(changed > 120);
    json_decref(results);
    free(report);
    free(text);
    made_run_clear(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_number_of_the_example_is_in_its_results),
        cmocka_unit_test(every_number_of_each_kind_of_run_is_in_its_results),
        cmocka_unit_test(a_number_that_is_not_that_of_the_results_is_seen),
        cmocka_unit_test(a_wrong_number_of_one_way_is_seen),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
