/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/export.h"
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

struct fixture {
    struct made_run made;
    char folder[128];
    struct export_summary summary;
};

static const struct download_spec download_spec = { .for_ns = 22 * NS_PER_S,
                                                    .connections = 1 };
static const struct ping_spec ping_spec = { .count = 40,
                                            .size_bytes = 56,
                                            .wait_ns = 10 * NS_PER_S };

static void add_download(struct made_run *made)
{
    const struct made_download download = {
        .goodput_bps = 36500,
        .cycle_ns = 166 * NS_PER_MS,
        .slot_ns = 138 * NS_PER_MS,
        .segments_a_cycle = 2,
        .for_ns = download_spec.for_ns,
        .warm_up_ns = NS_PER_S,
        .jitter_seed = 3,
    };
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    (void) snprintf(receiver.trouble, sizeof(receiver.trouble),
                    "so-called \"trouble\", \n or none");
    made_run_add(made, &(struct made_exchange){ .kind = &download_kind,
                                                .round = 1,
                                                .from = "mill",
                                                .to = "quay",
                                                .spec = &download_spec,
                                                .from_account = &sender,
                                                .to_account = &receiver,
                                                .note = "a note" });
    account_clear(&sender);
    account_clear(&receiver);
}

static void add_ping(struct made_run *made)
{
    uint64_t rtts_ns[40];
    struct exchange_account prober;
    struct exchange_account answerer;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = i % 13 == 0 ? 0 : (50 + i % 24) * NS_PER_MS;
    made_prober(rtts_ns, 40, &prober);
    made_answerer(&answerer);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .plan_index = 1,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &ping_spec,
                                                .from_account = &prober,
                                                .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    made_run_init(&fixture->made, false);
    (void) snprintf(fixture->folder, sizeof(fixture->folder), "%s/deep/samples",
                    fixture->made.folder);
    add_download(&fixture->made);
    add_ping(&fixture->made);
    made_run_end(&fixture->made, "complete");
    if (export_write(made_run_database(&fixture->made), fixture->made.run.run,
                     fixture->folder, &fixture->summary, &fault)) {
        print_error("%s\n", fault.text);
        return -1;
    }
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    made_run_clear(&fixture->made);
    free(fixture);
    return 0;
}

/* --- a small reader of CSV without quotes --------------------------------- */

static FILE *open_file(const struct fixture *fixture, const char *name)
{
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/%s", fixture->folder, name);
    FILE *in = fopen(path, "r");

    if (!in)
        fail_msg("no file %s", path);
    return in;
}

/* Which column has that heading? */
static size_t column_of(const char *headings, const char *name)
{
    const size_t length = strlen(name);
    size_t column = 0;

    for (const char *at = headings;; at++) {
        if (strncmp(at, name, length) == 0 && strchr(",\r", at[length]))
            return column;
        at = strchr(at, ',');
        if (!at)
            fail_msg("no column '%s' in '%s'", name, headings);
        column++;
    }
}

static const char *cell(const char *line, size_t column)
{
    for (; column; column--) {
        line = strchr(line, ',');
        assert_non_null(line);
        line++;
    }
    return line;
}

/* The sum of a column, and its last value. */
static uint64_t sum_column(const struct fixture *fixture, const char *file,
                           const char *name, uint64_t *ret_last)
{
    FILE *in = open_file(fixture, file);
    char line[4096];
    uint64_t sum = 0;

    assert_non_null(fgets(line, sizeof(line), in));
    const size_t column = column_of(line, name);

    while (fgets(line, sizeof(line), in)) {
        const uint64_t value = strtoull(cell(line, column), NULL, 10);

        assert_non_null(strstr(line, "\r\n"));
        sum += value;
        if (ret_last)
            *ret_last = value;
    }
    (void) fclose(in);
    return sum;
}

static size_t count_lines(const struct fixture *fixture, const char *file,
                          const char *part)
{
    FILE *in = open_file(fixture, file);
    char line[4096];
    size_t count = 0;

    assert_non_null(fgets(line, sizeof(line), in));
    while (fgets(line, sizeof(line), in))
        count += strstr(line, part) != NULL;
    (void) fclose(in);
    return count;
}

static double finding_of(struct fixture *fixture, const char *measure)
{
    struct rows findings = { .row_size = sizeof(struct finding) };
    struct fault fault = { 0 };
    double value = (double) NAN;

    if (reduce_run(made_run_database(&fixture->made), fixture->made.run.run,
                   &fixture->made.plan, &findings, &fault))
        fail_msg("%s", fault.text);
    for (size_t i = 0; i < findings.count; i++) {
        const struct finding *finding = rows_at(&findings, i);

        if (strcmp(finding->measure, measure) == 0)
            value = finding->value;
    }
    rows_clear(&findings);
    return value;
}

static void assert_near(double value, double expected, double margin)
{
    if (!(fabs(value - expected) <= margin))
        fail_msg("%.9g, expected %.9g", value, expected);
}

/* --- promises ------------------------------------------------------------- */

static void
sums_of_exported_arrivals_are_the_outcome_and_the_goodput(void **state)
{
    struct fixture *fixture = *state;
    uint64_t last_ns = 0;
    uint64_t request_ns = 0;
    const uint64_t bytes =
        sum_column(fixture, "made-0/receiver-arrivals.csv", "bytes", NULL);

    assert_true(bytes > 90000);
    assert_int_equal(bytes, sum_column(fixture, "download-outcome.csv",
                                       "content_bytes", NULL));
    (void) sum_column(fixture, "made-0/receiver-arrivals.csv", "at_ns",
                      &last_ns);
    (void) sum_column(fixture, "made-0/receiver-connections.csv", "request_ns",
                      &request_ns);
    const double goodput_bps = 8.0 * (double) bytes
                               / (double) (last_ns - request_ns)
                               * (double) NS_PER_S;

    assert_near(goodput_bps, finding_of(fixture, "goodput_whole"),
                1e-6 * goodput_bps);
}

static void exported_probes_give_the_loss_of_the_results(void **state)
{
    struct fixture *fixture = *state;
    const size_t lost_count =
        count_lines(fixture, "made-1/prober-probes.csv", ",lost,");
    const size_t sent_count =
        count_lines(fixture, "made-1/prober-probes.csv", "made-1,quay,");

    assert_int_equal(sent_count, 40);
    assert_near((double) lost_count / (double) sent_count,
                finding_of(fixture, "loss"), 1e-9);
}

static void columns_are_those_of_the_field_lists(void **state)
{
    struct fixture *fixture = *state;
    FILE *in = open_file(fixture, "made-1/prober-probes.csv");
    char line[4096];

    assert_non_null(fgets(line, sizeof(line), in));
    (void) fclose(in);
    assert_int_equal(column_of(line, "exchange"), 0);
    assert_int_equal(column_of(line, "end"), 1);
    for (size_t i = 0; i < ping_kind.series[0].field_count; i++)
        assert_int_equal(column_of(line, ping_kind.series[0].fields[i].name),
                         i + 2);
}

static void every_account_and_every_exchange_has_its_line(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(count_lines(fixture, "exchanges.csv", "made-"), 2);
    assert_int_equal(count_lines(fixture, "accounts.csv", "made-"), 4);
    assert_int_equal(count_lines(fixture, "accounts.csv",
                                 "\"so-called \"\"trouble\"\",   or none\""),
                     1);
    assert_int_equal(count_lines(fixture, "notes.csv", "a note"), 1);
    assert_int_equal(count_lines(fixture, "ping-spec.csv", "made-1,40,"), 1);
}

static void what_has_no_lines_has_no_file(void **state)
{
    struct fixture *fixture = *state;
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/made-1/answerer-probes.csv",
                    fixture->folder);
    assert_int_equal(access(path, F_OK), -1);
    (void) snprintf(path, sizeof(path), "%s/readings.csv", fixture->folder);
    assert_int_equal(access(path, F_OK), -1);
}

static void a_folder_that_cannot_be_made_is_named(void **state)
{
    struct fixture *fixture = *state;
    struct export_summary summary;
    struct fault fault = { 0 };
    char folder[256];

    (void) snprintf(folder, sizeof(folder), "%s/accounts.csv/below",
                    fixture->folder);
    assert_int_not_equal(export_write(made_run_database(&fixture->made),
                                      fixture->made.run.run, folder, &summary,
                                      &fault),
                         0);
    assert_non_null(strstr(fault.text, "accounts.csv/below"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(
            sums_of_exported_arrivals_are_the_outcome_and_the_goodput, set_up,
            tear_down),
        cmocka_unit_test_setup_teardown(
            exported_probes_give_the_loss_of_the_results, set_up, tear_down),
        cmocka_unit_test_setup_teardown(columns_are_those_of_the_field_lists,
                                        set_up, tear_down),
        cmocka_unit_test_setup_teardown(
            every_account_and_every_exchange_has_its_line, set_up, tear_down),
        cmocka_unit_test_setup_teardown(what_has_no_lines_has_no_file, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(a_folder_that_cannot_be_made_is_named,
                                        set_up, tear_down),
    };

    return cmocka_run_group_tests_name("export", tests, NULL, NULL);
}
