/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook.h"
#include "controller/logbook_tables.h"

#include <bothends/kinds.h>
#include <bothends/logbook.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

/* --- fault injection: the n-th step from now on fails -------------------- */

static long steps_until_failure = -1;

int __real_sqlite3_step(sqlite3_stmt *statement);
int __wrap_sqlite3_step(sqlite3_stmt *statement);

int __wrap_sqlite3_step(sqlite3_stmt *statement)
{
    if (steps_until_failure == 0)
        return SQLITE_IOERR;
    if (steps_until_failure > 0)
        steps_until_failure--;
    return __real_sqlite3_step(statement);
}

/* --- fixture ------------------------------------------------------------ */

struct fixture {
    char folder[64];
    char path[128];
    struct logbook *logbook;
    struct fault fault;
};

static int setup(void **state)
{
    struct fixture *f = calloc(1, sizeof(*f));

    (void) snprintf(f->folder, sizeof(f->folder), "/tmp/logbook.XXXXXX");
    assert_non_null(mkdtemp(f->folder));
    (void) snprintf(f->path, sizeof(f->path), "%s/deep/er/log.db", f->folder);
    steps_until_failure = -1;
    assert_int_equal(
        logbook_open(f->path, LOGBOOK_WRITE, &f->logbook, &f->fault), 0);
    *state = f;
    return 0;
}

static int teardown(void **state)
{
    struct fixture *f = *state;
    char command[128];

    steps_until_failure = -1;
    logbook_close(f->logbook);
    (void) snprintf(command, sizeof(command), "rm -rf '%s'", f->folder);
    assert_int_equal(system(command), 0);
    free(f);
    return 0;
}

static int64_t number(struct fixture *f, const char *sql)
{
    sqlite3_stmt *query;

    assert_int_equal(
        sqlite3_prepare_v2(logbook_database(f->logbook), sql, -1, &query, NULL),
        SQLITE_OK);
    assert_int_equal(sqlite3_step(query), SQLITE_ROW);
    const int64_t value = sqlite3_column_int64(query, 0);
    sqlite3_finalize(query);
    return value;
}

static void run_sql(struct fixture *f, const char *sql)
{
    assert_int_equal(
        sqlite3_exec(logbook_database(f->logbook), sql, NULL, NULL, NULL),
        SQLITE_OK);
}

static void reopen(struct fixture *f, int expected_code)
{
    logbook_close(f->logbook);
    f->logbook = NULL;
    f->fault = (struct fault){ 0 };
    assert_int_equal(
        logbook_open(f->path, LOGBOOK_WRITE, &f->logbook, &f->fault),
        expected_code);
}

static int64_t begin(struct fixture *f)
{
    char title[] = "over the hill", text[] = "plan: over the hill\n",
         path[] = "hill.yaml";
    struct logbook_run run = { .title = title,
                               .plan_text = text,
                               .plan_path = path,
                               .started_unix_ns = 1700000000000000000,
                               .seed = 42 };

    assert_int_equal(logbook_begin_run(f->logbook, &run, &f->fault), 0);
    return run.run;
}

/* A ping of three probes between two ends, both accounts there. */
struct ping_group {
    struct exchange_account accounts[2];
    struct ping_spec spec;
    struct logbook_exchange exchange;
    struct logbook_note note;
    struct logbook_group group;
};

static void make_ping_group(struct ping_group *g, const char *id)
{
    *g = (struct ping_group){
        .spec = { .count = 3,
                  .gap_ns = { SPREAD_UNIFORM, 1e9, 5e8, 1.5e9 },
                  .size_bytes = 56,
                  .wait_ns = 10 * NS_PER_S },
        .note = { 5, "clock", "the clock of hill was put back" },
    };
    for (size_t i = 0; i < 2; i++) {
        account_init(&g->accounts[i], &ping_kind);
        g->accounts[i].state = ACCOUNT_DONE;
        g->accounts[i].wall_minus_monotonic_begun_ns = -7;
    }
    (void) snprintf(g->accounts[0].part, NAME_SIZE, "prober");
    (void) snprintf(g->accounts[1].part, NAME_SIZE, "answerer");
    for (uint64_t i = 0; i < 3; i++) {
        struct ping_probe *probe = rows_add(&g->accounts[0].series[0]);

        probe->sequence = i;
        probe->state = i == 1 ? PROBE_LOST : PROBE_ANSWERED;
        probe->rtt_ns = i == 1 ? 0 : 200 + i;
        probe->after_pause = i == 0;
    }
    g->exchange = (struct logbook_exchange){
        .id = id,
        .from = "hill",
        .to = "dale",
        .condition = "idle",
        .kind = &ping_kind,
        .spec = &g->spec,
        .seed = 9,
        .accounts = { { "hill", 100, 2, -50, &g->accounts[0] },
                      { "dale", 200, 3, 60, &g->accounts[1] } },
        .account_count = 2,
    };
    g->group = (struct logbook_group){
        .position = 4,
        .round = 1,
        .step = "slow",
        .exchanges = &g->exchange,
        .exchange_count = 1,
        .notes = &g->note,
        .note_count = 1,
    };
}

static void clear_ping_group(struct ping_group *g)
{
    account_clear(&g->accounts[0]);
    account_clear(&g->accounts[1]);
}

/* --- tests -------------------------------------------------------------- */

static void a_new_logbook_says_what_it_is(void **state)
{
    struct fixture *f = *state;

    assert_int_equal(number(f, "PRAGMA application_id"),
                     LOGBOOK_APPLICATION_ID);
    assert_int_equal(number(f, "PRAGMA user_version"), LOGBOOK_SCHEMA_VERSION);
    assert_int_equal(number(f, "PRAGMA foreign_keys"), 1);
    reopen(f, 0);
}

static void every_kind_has_its_tables(void **state)
{
    struct fixture *f = *state;

    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++) {
        const struct kind *kind = exchange_kinds[i];
        char sql[128];

        (void) snprintf(sql, sizeof(sql), "SELECT count(*) FROM \"%s_spec\"",
                        kind->name);
        assert_int_equal(number(f, sql), 0);
        for (size_t k = 0; k < kind->series_count; k++) {
            (void) snprintf(sql, sizeof(sql), "SELECT count(*) FROM \"%s_%s\"",
                            kind->name, kind->series[k].name);
            assert_int_equal(number(f, sql), 0);
        }
    }
}

static void a_group_is_stored_with_all_its_parts(void **state)
{
    struct fixture *f = *state;
    struct ping_group g;
    const int64_t run = begin(f);
    bool has;

    make_ping_group(&g, "abc-4-0");
    assert_int_equal(logbook_store_group(f->logbook, run, &g.group, &f->fault),
                     0);
    clear_ping_group(&g);

    assert_int_equal(number(f, "SELECT count(*) FROM groups g JOIN exchanges "
                               "USING (group_id) JOIN ping_spec USING "
                               "(exchange) JOIN accounts USING (exchange) JOIN "
                               "ping_outcome USING (account) WHERE position = "
                               "4 AND gap_ns_form = 'uniform'"),
                     2);
    assert_int_equal(number(f, "SELECT sum(rtt_ns) FROM ping_probes JOIN "
                               "accounts USING (account) WHERE \"end\" = "
                               "'hill' AND ping_probes.state = 'answered'"),
                     402);
    assert_int_equal(number(f, "SELECT offset_ns + start_ns + "
                               "wall_minus_monotonic_begun_ns FROM accounts "
                               "WHERE part = 'prober' AND state = 'done'"),
                     43);
    assert_int_equal(number(f, "SELECT count(*) FROM notes JOIN groups "
                               "USING (group_id) WHERE class = 'clock'"),
                     1);
    assert_int_equal(logbook_has_group(f->logbook, run, 4, &has, &f->fault), 0);
    assert_true(has);
    assert_int_equal(logbook_has_group(f->logbook, run, 3, &has, &f->fault), 0);
    assert_false(has);
}

struct shapes {
    uint64_t whole;
    int64_t signed_;
    double real, unsaid;
    struct range range;
    struct spread spread;
    int choice;
    bool flag;
    char text[8];
};

/* clang-format off */
#define SHAPE(member, shape, choices) { #member, NULL, shape, UNIT_NONE, FIELD_AT(struct shapes, member), 0, 0, "", choices, "" }
static const struct field shape_fields[] = {
    SHAPE(whole, FIELD_WHOLE, NULL), SHAPE(signed_, FIELD_SIGNED, NULL), SHAPE(real, FIELD_REAL, NULL), SHAPE(unsaid, FIELD_REAL, NULL),
    SHAPE(range, FIELD_RANGE, NULL), SHAPE(spread, FIELD_SPREAD, NULL), SHAPE(choice, FIELD_CHOICE, spread_forms), SHAPE(flag, FIELD_FLAG, NULL),
    SHAPE(text, FIELD_TEXT, NULL),
};
/* clang-format on */

static const struct logbook_table shapes_table = {
    .name = "shapes",
    .head = "\"key\" INTEGER PRIMARY KEY",
    .tail = "",
    .keys = "\"key\"",
    .key_count = 1,
    .fields = shape_fields,
    .field_count = COUNT_OF(shape_fields),
};

static void make_shapes_table(struct fixture *f)
{
    run_sql(f, "CREATE TABLE shapes (\"key\" INTEGER PRIMARY KEY, whole "
               "INTEGER, signed_ INTEGER, real REAL, unsaid REAL, range_low "
               "REAL, range_high REAL, spread_form TEXT, spread_mean REAL, "
               "spread_low REAL, spread_high REAL, choice TEXT, flag INTEGER, "
               "text TEXT) STRICT");
}

static void every_shape_goes_in_and_comes_out(void **state)
{
    struct fixture *f = *state;
    const struct shapes shapes = { .whole = INT64_MAX,
                                   .signed_ = INT64_MIN,
                                   .real = 0.1,
                                   .unsaid = (double) NAN,
                                   .range = { 1.5, INFINITY },
                                   .spread = { SPREAD_EXPONENTIAL, 2, 0, 0 },
                                   .choice = 1,
                                   .flag = true,
                                   .text = "it's" };
    sqlite3_stmt *insert;

    make_shapes_table(f);
    assert_int_equal(logbook_prepare_insert(logbook_database(f->logbook),
                                            &shapes_table, &insert, &f->fault),
                     0);
    sqlite3_bind_int64(insert, 1, 1);
    assert_int_equal(logbook_insert(insert, &shapes_table, &shapes, &f->fault),
                     0);
    sqlite3_finalize(insert);
    assert_int_equal(
        number(f, "SELECT count(*) FROM shapes WHERE whole = "
                  "9223372036854775807 AND signed_ = -9223372036854775807 - 1 "
                  "AND real = 0.1 AND unsaid IS NULL AND range_low = 1.5 AND "
                  "range_high > 1e308 AND spread_form = 'exponential' AND "
                  "spread_mean = 2 AND choice = 'uniform' AND flag = 1 AND "
                  "text = 'it''s'"),
        1);
}

static void values_that_do_not_fit_are_refused_by_name(void **state)
{
    struct fixture *f = *state;
    struct shapes shapes = { .whole = UINT64_C(1) << 63 };
    sqlite3_stmt *insert;

    make_shapes_table(f);
    assert_int_equal(logbook_prepare_insert(logbook_database(f->logbook),
                                            &shapes_table, &insert, &f->fault),
                     0);
    assert_int_equal(logbook_insert(insert, &shapes_table, &shapes, &f->fault),
                     UV_ERANGE);
    assert_non_null(strstr(f->fault.text, "whole"));
    assert_non_null(strstr(f->fault.text, "9223372036854775808"));

    f->fault = (struct fault){ 0 };
    shapes = (struct shapes){ .choice = 3 };
    assert_int_equal(logbook_insert(insert, &shapes_table, &shapes, &f->fault),
                     UV_ERANGE);
    assert_non_null(strstr(f->fault.text, "choice"));
    sqlite3_finalize(insert);
}

static void a_full_disk_leaves_nothing_half_written(void **state)
{
    struct fixture *f = *state;
    struct ping_group g;
    const int64_t run = begin(f);
    char limit[64];

    make_ping_group(&g, "abc-4-0");
    for (uint64_t i = 0; i < 20000; i++)
        ((struct ping_probe *) rows_add(&g.accounts[0].series[0]))->sequence =
            3 + i;
    (void) snprintf(limit, sizeof(limit), "PRAGMA max_page_count = %lld",
                    (long long) number(f, "PRAGMA page_count") + 4);
    run_sql(f, limit);
    assert_int_equal(logbook_store_group(f->logbook, run, &g.group, &f->fault),
                     UV_ENOSPC);
    assert_non_null(strstr(f->fault.text, "disk is full"));
    assert_non_null(strstr(f->fault.text, f->path));
    assert_int_equal(number(f, "SELECT (SELECT count(*) FROM groups) + (SELECT "
                               "count(*) FROM ping_probes)"),
                     0);

    run_sql(f, "PRAGMA max_page_count = 100000");
    f->fault = (struct fault){ 0 };
    assert_int_equal(logbook_store_group(f->logbook, run, &g.group, &f->fault),
                     0);
    assert_int_equal(number(f, "SELECT count(*) FROM ping_probes"), 20003);
    clear_ping_group(&g);
}

static void a_failure_at_any_step_stores_nothing(void **state)
{
    struct fixture *f = *state;
    struct ping_group g;
    const int64_t run = begin(f);
    int code = UV_EIO;
    long step = 0;

    make_ping_group(&g, "abc-4-0");
    for (; code != 0; step++) {
        assert_true(step < 100);
        f->fault = (struct fault){ 0 };
        steps_until_failure = step;
        code = logbook_store_group(f->logbook, run, &g.group, &f->fault);
        steps_until_failure = -1;
        if (code) {
            assert_true(f->fault.text[0]);
            assert_int_equal(number(f, "SELECT count(*) FROM groups"), 0);
        }
    }
    assert_true(step > 10);
    assert_int_equal(number(f, "SELECT count(*) FROM groups"), 1);
    clear_ping_group(&g);
}

static void an_account_that_comes_twice_is_stored_once(void **state)
{
    struct fixture *f = *state;
    struct ping_group g;
    const int64_t run = begin(f);
    enum logbook_presence presence;

    make_ping_group(&g, "abc-4-0");
    g.exchange.account_count = 1;
    assert_int_equal(logbook_store_group(f->logbook, run, &g.group, &f->fault),
                     0);
    assert_int_equal(logbook_look_for_account(f->logbook, "abc-4-0", "dale",
                                              &presence, &f->fault),
                     0);
    assert_int_equal(presence, LOGBOOK_NO_ACCOUNT);
    for (int i = 0; i < 2; i++)
        assert_int_equal(logbook_add_account(f->logbook, "abc-4-0",
                                             &g.exchange.accounts[1],
                                             &f->fault),
                         0);
    assert_int_equal(number(f, "SELECT count(*) FROM accounts"), 2);
    assert_int_equal(logbook_look_for_account(f->logbook, "abc-4-0", "dale",
                                              &presence, &f->fault),
                     0);
    assert_int_equal(presence, LOGBOOK_THERE);
    assert_int_equal(logbook_look_for_account(f->logbook, "nowhere", "dale",
                                              &presence, &f->fault),
                     0);
    assert_int_equal(presence, LOGBOOK_UNKNOWN);
    assert_int_equal(logbook_add_account(f->logbook, "nowhere",
                                         &g.exchange.accounts[1], &f->fault),
                     UV_ENOENT);
    clear_ping_group(&g);
}

static void a_newer_version_is_refused(void **state)
{
    struct fixture *f = *state;

    run_sql(f, "PRAGMA user_version = 99");
    reopen(f, UV_EINVAL);
    assert_non_null(strstr(f->fault.text, "version 99"));
    assert_non_null(strstr(f->fault.text, f->path));
}

static void files_of_others_are_refused(void **state)
{
    struct fixture *f = *state;

    run_sql(f, "PRAGMA application_id = 77");
    reopen(f, UV_EINVAL);
    assert_non_null(strstr(f->fault.text, "another program"));

    (void) snprintf(f->path, sizeof(f->path), "%s/letter.txt", f->folder);
    FILE *file = fopen(f->path, "w");
    for (int i = 0; i < 200; i++)
        (void) fputs("Dear friends of the hill, ", file);
    assert_int_equal(fclose(file), 0);
    reopen(f, UV_EINVAL);
    assert_non_null(strstr(f->fault.text, "is not a logbook"));
}

static void a_write_protected_file_is_said_to_be_so(void **state)
{
    struct fixture *f = *state;
    struct logbook_note note = { 0, "link", "a note" };
    const int64_t run = begin(f);

    /* As file permissions do not bind root, SQLite is told. */
    run_sql(f, "PRAGMA query_only = 1");
    assert_int_equal(logbook_store_note(f->logbook, run, &note, &f->fault),
                     UV_EROFS);
    assert_non_null(strstr(f->fault.text, "write-protected"));
}

static void columns_of_new_fields_are_added(void **state)
{
    struct fixture *f = *state;

    run_sql(f, "ALTER TABLE ping_probes DROP COLUMN ttl; "
               "ALTER TABLE ping_spec DROP COLUMN gap_ns_mean");
    reopen(f, 0);
    assert_int_equal(number(f, "SELECT count(ttl) FROM ping_probes"), 0);
    assert_int_equal(number(f, "SELECT count(gap_ns_mean) FROM ping_spec"), 0);
}

static void a_column_of_another_type_is_refused(void **state)
{
    struct fixture *f = *state;

    run_sql(f, "ALTER TABLE ping_probes DROP COLUMN ttl; "
               "ALTER TABLE ping_probes ADD COLUMN ttl TEXT");
    reopen(f, UV_EINVAL);
    assert_non_null(strstr(f->fault.text, "ttl"));
    assert_non_null(strstr(f->fault.text, "is TEXT, expected INTEGER"));
}

static void runs_are_found_again_with_their_plan(void **state)
{
    struct fixture *f = *state;
    struct logbook_run run;
    struct rows runs;

    assert_int_equal(logbook_find_run(f->logbook, 0, &run, &f->fault),
                     UV_ENOENT);
    f->fault = (struct fault){ 0 };
    const int64_t first = begin(f), second = begin(f);
    assert_int_equal(
        logbook_end_run(f->logbook, second, "complete", 8, &f->fault), 0);
    assert_int_equal(logbook_find_run(f->logbook, 0, &run, &f->fault), 0);
    assert_int_equal(run.run, second);
    assert_int_equal(run.ended_unix_ns, 8);
    logbook_run_clear(&run);

    assert_int_equal(logbook_find_unfinished(f->logbook, &run, &f->fault), 0);
    assert_int_equal(run.run, first);
    assert_string_equal(run.plan_text, "plan: over the hill\n");
    assert_string_equal(run.state, "running");
    assert_int_equal(run.seed, 42);
    logbook_run_clear(&run);

    assert_int_equal(logbook_list_runs(f->logbook, &runs, &f->fault), 0);
    assert_int_equal(runs.count, 2);
    for (size_t i = 0; i < runs.count; i++)
        logbook_run_clear(rows_at(&runs, i));
    rows_clear(&runs);

    assert_int_equal(logbook_find_run(f->logbook, 77, &run, &f->fault),
                     UV_ENOENT);
    assert_non_null(strstr(f->fault.text, "no run 77"));
}

static void two_runs_that_start_at_once_have_different_tags(void **state)
{
    struct fixture *f = *state;

    (void) begin(f);
    (void) begin(f);
    assert_int_equal(
        number(f, "SELECT count(DISTINCT started_unix_ns) FROM runs"), 2);
}

static void reading_does_not_make_a_logbook(void **state)
{
    struct fixture *f = *state;
    struct logbook *logbook;

    (void) snprintf(f->path, sizeof(f->path), "%s/none.db", f->folder);
    assert_int_equal(logbook_open(f->path, LOGBOOK_READ, &logbook, &f->fault),
                     UV_ENOENT);
    assert_non_null(strstr(f->fault.text, "none.db"));
    assert_int_equal(access(f->path, F_OK), -1);
}

static void the_default_logbook_is_in_the_users_data_folder(void **state)
{
    struct fixture *f = *state;
    char path[256];

    assert_int_equal(setenv("XDG_DATA_HOME", "/data/of/me", 1), 0);
    assert_int_equal(logbook_default_path(path, sizeof(path), &f->fault), 0);
    assert_string_equal(path, "/data/of/me/bothends/logbook.db");
    assert_int_equal(unsetenv("XDG_DATA_HOME"), 0);
    assert_int_equal(setenv("HOME", "/home/me", 1), 0);
    assert_int_equal(logbook_default_path(path, sizeof(path), &f->fault), 0);
    assert_string_equal(path, "/home/me/.local/share/bothends/logbook.db");
    assert_int_equal(unsetenv("HOME"), 0);
    assert_int_equal(logbook_default_path(path, sizeof(path), &f->fault),
                     UV_ENOENT);
    assert_non_null(strstr(f->fault.text, "--logbook"));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_new_logbook_says_what_it_is),
        TEST(every_kind_has_its_tables),
        TEST(a_group_is_stored_with_all_its_parts),
        TEST(every_shape_goes_in_and_comes_out),
        TEST(values_that_do_not_fit_are_refused_by_name),
        TEST(a_full_disk_leaves_nothing_half_written),
        TEST(a_failure_at_any_step_stores_nothing),
        TEST(an_account_that_comes_twice_is_stored_once),
        TEST(a_newer_version_is_refused),
        TEST(files_of_others_are_refused),
        TEST(a_write_protected_file_is_said_to_be_so),
        TEST(columns_of_new_fields_are_added),
        TEST(a_column_of_another_type_is_refused),
        TEST(runs_are_found_again_with_their_plan),
        TEST(two_runs_that_start_at_once_have_different_tags),
        TEST(reading_does_not_make_a_logbook),
        TEST(the_default_logbook_is_in_the_users_data_folder),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
