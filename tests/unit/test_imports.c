/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/imports.h"

#include "agent/wire/messages.h"
#include "controller/orders.h"
#include "controller/plan/reader.h"

#include <bothends/kinds.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
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

/* --- fixture: a run of two groups, and a folder -------------------------- */

static const char plan_text[] =
    "plan: Two ends and a router\n"
    "steps: [{name: walk, usable_rate: 20 kbit/s}]\n"
    "ends:\n"
    "  hub: {role: hub, call: Q0HUB, address: 192.0.2.1}\n"
    "  hill: {role: station, call: Q1HIL, address: 192.0.2.2}\n"
    "  gate: {role: hub, agent: no, landmark: router, address: 192.0.2.3}\n"
    "controller_at: hub\n"
    "sequence:\n"
    "  - ping: {from: hill, to: hub, count: 3}\n"
    "  - ping: {from: hill, to: gate, count: 3}\n";

struct fixture {
    char folder[64], stick[128];
    struct logbook *logbook;
    struct logbook_run run;
    char tag[LOGBOOK_TAG_SIZE];
    struct imports imports;
    struct fault fault;
    char said[4000];
};

static int setup(void **state)
{
    struct fixture *f = calloc(1, sizeof(*f));
    char path[256];

    (void) snprintf(f->folder, sizeof(f->folder), "/tmp/imports.XXXXXX");
    assert_non_null(mkdtemp(f->folder));
    (void) snprintf(f->stick, sizeof(f->stick), "%s/stick", f->folder);
    (void) snprintf(path, sizeof(path), "%s/log.db", f->folder);
    steps_until_failure = -1;
    assert_int_equal(logbook_open(path, LOGBOOK_WRITE, &f->logbook, &f->fault),
                     0);
    f->run = (struct logbook_run){ .title = strdup("Two ends"),
                                   .plan_text = strdup(plan_text),
                                   .plan_path = strdup("plan.yaml"),
                                   .started_unix_ns =
                                       UINT64_C(1800000000) * NS_PER_S,
                                   .seed = 7 };
    assert_int_equal(logbook_begin_run(f->logbook, &f->run, &f->fault), 0);
    logbook_tag(f->run.started_unix_ns, f->tag);
    (void) snprintf(path, sizeof(path), "mkdir '%s'", f->stick);
    assert_int_equal(system(path), 0);
    *state = f;
    return 0;
}

static int teardown(void **state)
{
    struct fixture *f = *state;
    char command[128];

    imports_clear(&f->imports);
    logbook_run_clear(&f->run);
    logbook_close(f->logbook);
    (void) snprintf(command, sizeof(command), "rm -rf '%s'", f->folder);
    assert_int_equal(system(command), 0);
    free(f);
    return 0;
}

static void say(void *owner, const char *what, const char *text)
{
    struct fixture *f = owner;
    const size_t used = strlen(f->said);

    (void) snprintf(f->said + used, sizeof(f->said) - used, "%s: %s\n", what,
                    text);
}

static int take(struct fixture *f)
{
    imports_clear(&f->imports);
    f->said[0] = '\0';
    f->fault = (struct fault){ 0 };
    return imports_take(f->logbook, f->stick, say, f, &f->imports, &f->fault);
}

/* "TAG-POSITION-0" */
static void make_id(const struct fixture *f, unsigned position, char *ret_id)
{
    (void) snprintf(ret_id, ID_SIZE, "%s-%u-0", f->tag, position);
}

static void fill_account(struct exchange_account *account, const char *id,
                         const char *part)
{
    account_init(account, &ping_kind);
    (void) snprintf(account->id, sizeof(account->id), "%s", id);
    (void) snprintf(account->part, sizeof(account->part), "%s", part);
    account->state = ACCOUNT_DONE;
    account->begun_ns = 5 * NS_PER_S;
    account->ended_ns = 9 * NS_PER_S;
    account->wall_minus_monotonic_begun_ns =
        account->wall_minus_monotonic_ended_ns =
            INT64_C(1800000100) * INT64_C(1000000000);
}

/* As the agent's spool would hold it. */
static char *account_text(const char *id, const char *part)
{
    struct exchange_account account;
    struct fault fault = { 0 };
    json_t *json = NULL;

    fill_account(&account, id, part);
    assert_int_equal(account_encode(&account, &json, &fault), 0);
    char *text = json_dumps(json, JSON_COMPACT);
    json_decref(json);
    account_clear(&account);
    return text;
}

static void put_file(const struct fixture *f, const char *name,
                     const char *text, size_t bytes)
{
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/%s", f->stick, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, bytes, file), bytes);
    assert_int_equal(fclose(file), 0);
}

static void put_account(const struct fixture *f, const char *id,
                        const char *part)
{
    char *text = account_text(id, part);
    char name[ID_SIZE + 8];

    (void) snprintf(name, sizeof(name), "%s.json", id);
    put_file(f, name, text, strlen(text));
    free(text);
}

/* What the conductor left: the group with the hub's account alone. */
static void store_half(struct fixture *f, const char *id)
{
    const struct ping_spec spec = { .count = 3 };
    struct exchange_account account;

    fill_account(&account, id, ping_kind.to_part);
    const struct logbook_exchange exchange = {
        .id = id,
        .from = "hill",
        .to = "hub",
        .condition = "idle",
        .kind = &ping_kind,
        .spec = &spec,
        .accounts = { { .end = "hub", .account = &account } },
        .account_count = 1,
    };
    const struct logbook_group group = {
        .round = 1, .step = "walk", .exchanges = &exchange, .exchange_count = 1
    };
    assert_int_equal(
        logbook_store_group(f->logbook, f->run.run, &group, &f->fault), 0);
    account_clear(&account);
}

static int64_t number_of(const struct fixture *f, const char *sql)
{
    sqlite3_stmt *query = NULL;

    assert_int_equal(
        sqlite3_prepare_v2(logbook_database(f->logbook), sql, -1, &query, NULL),
        SQLITE_OK);
    assert_int_equal(sqlite3_step(query), SQLITE_ROW);
    const int64_t number = sqlite3_column_int64(query, 0);
    sqlite3_finalize(query);
    return number;
}

/* --- promises ------------------------------------------------------------- */

static void a_missing_account_joins_its_exchange(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 0, id);
    store_half(f, id);
    put_account(f, id, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.taken_count, 1);
    assert_int_equal(f->imports.runs.count, 1);
    assert_int_equal(number_of(f, "SELECT count(*) FROM accounts WHERE \"end\" "
                                  "= 'hill'"),
                     1);
    assert_int_equal(number_of(f, "SELECT count(*) FROM notes WHERE class = "
                                  "'import' AND text LIKE '%no signature%'"),
                     1);
}

static void what_is_brought_twice_is_known(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 0, id);
    store_half(f, id);
    put_account(f, id, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.taken_count, 0);
    assert_int_equal(f->imports.known_count, 1);
    assert_int_equal(number_of(f, "SELECT count(*) FROM accounts"), 2);
    assert_int_equal(number_of(f, "SELECT count(*) FROM notes"), 1);
}

static void
a_group_that_was_not_stored_is_made_again_from_the_plan(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 1, id);
    put_account(f, id, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.taken_count, 1);
    /* The router has no agent: this one account is all there is. */
    assert_int_equal(number_of(f, "SELECT position FROM groups"), 1);
    assert_int_equal(number_of(f, "SELECT to_name = 'gate' FROM exchanges"), 1);
    assert_int_equal(number_of(f, "SELECT count FROM ping_spec"), 3);
    /* By the end's own clocks: 1800000100 s and 5 s. */
    assert_int_equal(number_of(f, "SELECT started_unix_ns / 1000000000 FROM "
                                  "groups"),
                     1800000105);
}

static void half_a_group_is_kept_beside_the_run(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 0, id);
    put_account(f, id, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(number_of(f, "SELECT position FROM groups"), -1);
}

static void the_last_account_completes_the_run(void **state)
{
    struct fixture *f = *state;
    char first[ID_SIZE], second[ID_SIZE];

    make_id(f, 0, first);
    make_id(f, 1, second);
    store_half(f, first);
    put_account(f, first, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(number_of(f, "SELECT state = 'complete' FROM runs"), 0);
    put_account(f, second, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(number_of(f, "SELECT state = 'complete' FROM runs"), 1);
}

static void accounts_of_other_logbooks_are_left_alone(void **state)
{
    struct fixture *f = *state;
    static const char *const strange[] = { "000000-0-0", "no-id-of-ours" };
    char beyond[ID_SIZE];

    make_id(f, 99, beyond);
    put_account(f, strange[0], ping_kind.from_part);
    put_account(f, strange[1], ping_kind.from_part);
    put_account(f, beyond, ping_kind.from_part);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.foreign_count, 3);
    assert_int_equal(f->imports.taken_count, 0);
    assert_int_equal(number_of(f, "SELECT count(*) FROM groups"), 0);
}

static void an_account_under_another_name_is_damaged(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 0, id);
    char *text = account_text(id, ping_kind.from_part);
    put_file(f, "abcdef-0-0.json", text, strlen(text));
    free(text);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.damaged_count, 1);
    assert_non_null(strstr(f->said, "abcdef-0-0.json"));
}

static void a_part_that_the_kind_has_not_is_damaged(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE];

    make_id(f, 0, id);
    store_half(f, id);
    put_account(f, id, "bystander");
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.damaged_count, 1);
    assert_int_equal(f->imports.taken_count, 0);
}

static void a_file_cut_at_any_byte_is_damaged_and_nothing_else(void **state)
{
    struct fixture *f = *state;
    char id[ID_SIZE], name[ID_SIZE + 8];

    make_id(f, 0, id);
    store_half(f, id);
    (void) snprintf(name, sizeof(name), "%s.json", id);
    char *text = account_text(id, ping_kind.from_part);
    for (size_t bytes = 0; bytes < strlen(text); bytes++) {
        put_file(f, name, text, bytes);
        assert_int_equal(take(f), 0);
        assert_int_equal(f->imports.damaged_count, 1);
        assert_int_equal(f->imports.taken_count, 0);
    }
    free(text);
}

static void a_failure_at_any_step_takes_nothing(void **state)
{
    struct fixture *f = *state;
    char first[ID_SIZE], second[ID_SIZE];
    long step = 0;
    int code;

    make_id(f, 0, first);
    make_id(f, 1, second);
    store_half(f, first);
    put_account(f, first, ping_kind.from_part);
    put_account(f, second, ping_kind.from_part);
    do {
        steps_until_failure = step++;
        code = take(f);
        steps_until_failure = -1;
        if (code) {
            assert_int_not_equal(strlen(f->fault.text), 0);
            assert_int_equal(number_of(f, "SELECT count(*) FROM accounts"), 1);
            assert_int_equal(number_of(f, "SELECT count(*) FROM groups"), 1);
        }
    } while (code && step < 1000);
    assert_true(step > 5);
    assert_int_equal(f->imports.taken_count, 2);
    assert_int_equal(number_of(f, "SELECT count(*) FROM accounts"), 3);
}

static void orders_without_an_end_are_counted(void **state)
{
    struct fixture *f = *state;

    put_file(f, "abcdef-0-0.order", "{}", 2);
    put_file(f, "lock", "", 0);
    assert_int_equal(take(f), 0);
    assert_int_equal(f->imports.cut_count, 1);
    assert_int_equal(f->imports.taken_count + f->imports.damaged_count, 0);
}

static void a_folder_that_is_none_is_said(void **state)
{
    struct fixture *f = *state;

    (void) snprintf(f->stick, sizeof(f->stick), "%s/log.db", f->folder);
    assert_int_equal(take(f), UV_EINVAL);
    (void) snprintf(f->stick, sizeof(f->stick), "%s/none", f->folder);
    assert_int_equal(take(f), UV_ENOENT);
    assert_non_null(strstr(f->fault.text, "expected the spool of an agent"));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, setup, teardown)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(a_missing_account_joins_its_exchange),
        TEST(what_is_brought_twice_is_known),
        TEST(a_group_that_was_not_stored_is_made_again_from_the_plan),
        TEST(half_a_group_is_kept_beside_the_run),
        TEST(the_last_account_completes_the_run),
        TEST(accounts_of_other_logbooks_are_left_alone),
        TEST(an_account_under_another_name_is_damaged),
        TEST(a_part_that_the_kind_has_not_is_damaged),
        TEST(a_file_cut_at_any_byte_is_damaged_and_nothing_else),
        TEST(a_failure_at_any_step_takes_nothing),
        TEST(orders_without_an_end_are_counted),
        TEST(a_folder_that_is_none_is_said),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
