/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook.h"

#include "controller/logbook_tables.h"

#include <bothends/kinds.h>
#include <bothends/logbook.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

/* A reader that looks at a long run holds a writer up for a moment. */
static const int busy_timeout_ms = 10000;

struct logbook {
    sqlite3 *database;
    bool is_together; /* between logbook_begin() and logbook_finish() */
    char path[4096];
};

static int check_and_prepare(struct logbook *logbook, enum logbook_use use,
                             struct fault *fault);
static int make_folder_of(const char *path, struct fault *fault);

/* --- opening ------------------------------------------------------------ */

int logbook_default_path(char *ret_path, size_t size, struct fault *fault)
{
    const char *data = getenv("XDG_DATA_HOME");
    const char *home = getenv("HOME");
    int length;

    if (data && data[0] == '/')
        length = snprintf(ret_path, size, "%s/bothends/logbook.db", data);
    else if (home && home[0] == '/')
        length = snprintf(ret_path, size, "%s/.local/share/bothends/logbook.db",
                          home);
    else
        return fault_set(fault, UV_ENOENT,
                         "cannot tell where the logbook is: neither "
                         "XDG_DATA_HOME nor HOME is set; name it with "
                         "--logbook FILE");
    return (size_t) length < size
               ? 0
               : fault_set(fault, UV_E2BIG,
                           "cannot tell where the logbook is: the user's "
                           "folder has too long a name");
}

static int open_file(struct logbook *logbook, enum logbook_use use,
                     struct fault *fault)
{
    int flags = SQLITE_OPEN_READWRITE;

    if (use == LOGBOOK_WRITE) {
        const int code = make_folder_of(logbook->path, fault);

        if (code)
            return code;
        flags |= SQLITE_OPEN_CREATE;
    } else if (access(logbook->path, F_OK) != 0) {
        return fault_set(fault, UV_ENOENT,
                         "there is no logbook '%s' yet: 'bothends run' makes "
                         "it, and --logbook FILE names another",
                         logbook->path);
    }
    if (sqlite3_open_v2(logbook->path, &logbook->database, flags, NULL)
        != SQLITE_OK)
        return fault_set(fault, UV_EIO, "cannot open the logbook '%s': %s",
                         logbook->path,
                         logbook->database ? sqlite3_errmsg(logbook->database)
                                           : "out of memory");
    sqlite3_busy_timeout(logbook->database, busy_timeout_ms);
    return 0;
}

int logbook_open(const char *path, enum logbook_use use,
                 struct logbook **ret_logbook, struct fault *fault)
{
    struct logbook *logbook = calloc(1, sizeof(*logbook));
    int code = 0;

    if (!logbook)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    if (!path || !path[0])
        code =
            logbook_default_path(logbook->path, sizeof(logbook->path), fault);
    else if ((size_t) snprintf(logbook->path, sizeof(logbook->path), "%s", path)
             >= sizeof(logbook->path))
        code = fault_set(fault, UV_E2BIG, "the logbook's name is too long");
    if (!code)
        code = open_file(logbook, use, fault);
    if (!code)
        code = check_and_prepare(logbook, use, fault);
    if (code) {
        logbook_close(logbook);
        return code;
    }
    *ret_logbook = logbook;
    return 0;
}

void logbook_close(struct logbook *logbook)
{
    if (!logbook)
        return;
    sqlite3_close_v2(logbook->database);
    free(logbook);
}

sqlite3 *logbook_database(const struct logbook *logbook)
{
    return logbook->database;
}

const char *logbook_path(const struct logbook *logbook)
{
    return logbook->path;
}

static int make_folder_of(const char *path, struct fault *fault)
{
    char folder[4096];

    (void) snprintf(folder, sizeof(folder), "%s", path);
    for (char *slash = strchr(folder + 1, '/'); slash;
         slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(folder, 0755) != 0 && errno != EEXIST)
            return fault_set(fault, -errno,
                             "cannot make the logbook's folder '%s': %s",
                             folder, strerror(errno));
        *slash = '/';
    }
    return 0;
}

/* --- whose file is it --------------------------------------------------- */

static int run_sql(struct logbook *logbook, const char *sql, const char *doing,
                   struct fault *fault)
{
    return sqlite3_exec(logbook->database, sql, NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : logbook_fault(logbook->database, doing, fault);
}

static int read_number(struct logbook *logbook, const char *sql,
                       int64_t *ret_number, struct fault *fault)
{
    sqlite3_stmt *query = NULL;

    if (sqlite3_prepare_v2(logbook->database, sql, -1, &query, NULL)
            != SQLITE_OK
        || sqlite3_step(query) != SQLITE_ROW) {
        const bool foreign =
            sqlite3_errcode(logbook->database) == SQLITE_NOTADB;

        sqlite3_finalize(query);
        return foreign ? fault_set(fault, UV_EINVAL,
                                   "'%s' is not a logbook: found a file of "
                                   "another kind; name another with --logbook",
                                   logbook->path)
                       : logbook_fault(logbook->database, "read", fault);
    }
    *ret_number = sqlite3_column_int64(query, 0);
    sqlite3_finalize(query);
    return 0;
}

struct identity {
    int64_t application, version, table_count;
};

static int read_identity(struct logbook *logbook, struct identity *ret_identity,
                         struct fault *fault)
{
    int code = read_number(logbook, "PRAGMA application_id",
                           &ret_identity->application, fault);

    if (!code)
        code = read_number(logbook, "PRAGMA user_version",
                           &ret_identity->version, fault);
    if (!code)
        code = read_number(logbook, "SELECT count(*) FROM sqlite_schema",
                           &ret_identity->table_count, fault);
    return code;
}

static int refuse_strangers(const struct logbook *logbook,
                            const struct identity *identity,
                            struct fault *fault)
{
    if (identity->application != LOGBOOK_APPLICATION_ID)
        return fault_set(fault, UV_EINVAL,
                         "'%s' is not a logbook: found the database of another "
                         "program; name another file with --logbook",
                         logbook->path);
    if (identity->version != LOGBOOK_SCHEMA_VERSION)
        return fault_set(fault, UV_EINVAL,
                         "the logbook '%s' has version %lld, this program "
                         "(%s) knows version %d: take the bothends that made "
                         "it, or name another file with --logbook",
                         logbook->path, (long long) identity->version,
                         BOTHENDS_VERSION, LOGBOOK_SCHEMA_VERSION);
    return 0;
}

static int make_fixed_tables(struct logbook *logbook, struct fault *fault)
{
    char pragmas[128];

    (void) snprintf(pragmas, sizeof(pragmas),
                    "PRAGMA application_id = %d; PRAGMA user_version = %d",
                    LOGBOOK_APPLICATION_ID, LOGBOOK_SCHEMA_VERSION);
    int code = run_sql(logbook, logbook_fixed_tables, "make the tables", fault);
    if (!code)
        code = run_sql(logbook, pragmas, "make the tables", fault);
    return code;
}

/* Tables are made or grown in one transaction: two programs that open a new
 * file at once don't trip over each other. */
static int prepare_tables(struct logbook *logbook, struct fault *fault)
{
    struct identity identity = { 0 };
    int code = run_sql(logbook, "BEGIN IMMEDIATE", "write", fault);

    if (code)
        return code;
    code = read_identity(logbook, &identity, fault);
    if (!code && identity.table_count == 0)
        code = make_fixed_tables(logbook, fault);
    if (!code)
        code = logbook_prepare_tables(logbook->database, fault);
    if (!code)
        code = run_sql(logbook, "COMMIT", "make the tables", fault);
    if (code)
        (void) sqlite3_exec(logbook->database, "ROLLBACK", NULL, NULL, NULL);
    return code;
}

static int check_and_prepare(struct logbook *logbook, enum logbook_use use,
                             struct fault *fault)
{
    struct identity identity = { 0 };
    int code = read_identity(logbook, &identity, fault);
    const bool is_new = !code && identity.application == 0
                        && identity.version == 0 && identity.table_count == 0;

    if (!code && !is_new)
        code = refuse_strangers(logbook, &identity, fault);
    if (!code && is_new && use == LOGBOOK_READ)
        code = fault_set(fault, UV_ENOENT, "the logbook '%s' is empty",
                         logbook->path);
    if (!code)
        code = run_sql(logbook, "PRAGMA foreign_keys = ON", "read", fault);
    if (code
        || (use == LOGBOOK_READ
            && sqlite3_db_readonly(logbook->database, "main") == 1))
        return code;
    /* An account is acknowledged after the commit, and then the agent drops
     * its own copy: the commit must be on the disk. */
    code =
        run_sql(logbook, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL",
                "write", fault);
    if (!code)
        code = prepare_tables(logbook, fault);
    return code;
}

/* --- a run -------------------------------------------------------------- */

void logbook_tag(uint64_t started_unix_ns, char ret_tag[LOGBOOK_TAG_SIZE])
{
    struct draw draw = { started_unix_ns };

    (void) snprintf(ret_tag, LOGBOOK_TAG_SIZE, "%06llx",
                    (unsigned long long) (draw_next(&draw) >> 40));
}

static void bind_text(sqlite3_stmt *statement, int index, const char *text)
{
    sqlite3_bind_text(statement, index, text ? text : "", -1, SQLITE_STATIC);
}

static void bind_number(sqlite3_stmt *statement, int index, uint64_t number)
{
    sqlite3_bind_int64(statement, index, (sqlite3_int64) number);
}

/* Run a statement that gives no rows, and be done with it. */
static int finish(struct logbook *logbook, sqlite3_stmt *statement,
                  struct fault *fault)
{
    const int status = sqlite3_step(statement);
    const int code = status == SQLITE_DONE
                         ? 0
                         : logbook_fault(logbook->database, "store", fault);

    sqlite3_finalize(statement);
    return code;
}

static int tag_is_taken(struct logbook *logbook, uint64_t started_unix_ns,
                        bool *ret_taken, struct fault *fault)
{
    char tag[LOGBOOK_TAG_SIZE];
    sqlite3_stmt *query = NULL;

    logbook_tag(started_unix_ns, tag);
    int code = logbook_prepare(
        logbook->database, "SELECT started_unix_ns FROM runs", &query, fault);
    if (code)
        return code;
    *ret_taken = false;
    while (sqlite3_step(query) == SQLITE_ROW) {
        char other[LOGBOOK_TAG_SIZE];

        logbook_tag((uint64_t) sqlite3_column_int64(query, 0), other);
        *ret_taken = *ret_taken || strcmp(tag, other) == 0;
    }
    if (sqlite3_finalize(query) != SQLITE_OK)
        code = logbook_fault(logbook->database, "read", fault);
    return code;
}

int logbook_begin_run(struct logbook *logbook, struct logbook_run *run,
                      struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    bool taken = false;
    int code = tag_is_taken(logbook, run->started_unix_ns, &taken, fault);

    while (!code && taken)
        code = tag_is_taken(logbook, ++run->started_unix_ns, &taken, fault);
    if (code)
        return code;
    code = logbook_prepare(logbook->database,
                           "INSERT INTO runs (title, plan_text, plan_path, "
                           "practice, program_version, started_unix_ns, state, "
                           "seed) VALUES (?, ?, ?, ?, ?, ?, 'running', ?)",
                           &insert, fault);
    if (code)
        return code;
    bind_text(insert, 1, run->title);
    bind_text(insert, 2, run->plan_text);
    bind_text(insert, 3, run->plan_path);
    sqlite3_bind_int(insert, 4, run->practice);
    bind_text(insert, 5, BOTHENDS_VERSION);
    bind_number(insert, 6, run->started_unix_ns);
    bind_number(insert, 7, run->seed);
    code = finish(logbook, insert, fault);
    if (code)
        return code;
    run->run = sqlite3_last_insert_rowid(logbook->database);
    (void) snprintf(run->state, sizeof(run->state), "running");
    return 0;
}

int logbook_store_end(struct logbook *logbook, int64_t run, const char *end,
                      const char *self_json, const char *contact_json,
                      struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    const int code = logbook_prepare(
        logbook->database,
        "INSERT INTO run_ends (run, \"end\", self_json, contact_json) "
        "VALUES (?, ?, ?, ?) ON CONFLICT (run, \"end\") DO UPDATE SET "
        "self_json = excluded.self_json, "
        "contact_json = excluded.contact_json",
        &insert, fault);

    if (code)
        return code;
    sqlite3_bind_int64(insert, 1, run);
    bind_text(insert, 2, end);
    bind_text(insert, 3, self_json);
    bind_text(insert, 4, contact_json);
    return finish(logbook, insert, fault);
}

int logbook_end_run(struct logbook *logbook, int64_t run, const char *state,
                    uint64_t ended_unix_ns, struct fault *fault)
{
    sqlite3_stmt *update = NULL;
    const int code =
        logbook_prepare(logbook->database,
                        "UPDATE runs SET state = ?, ended_unix_ns = ? "
                        "WHERE run = ?",
                        &update, fault);

    if (code)
        return code;
    bind_text(update, 1, state);
    bind_number(update, 2, ended_unix_ns);
    sqlite3_bind_int64(update, 3, run);
    return finish(logbook, update, fault);
}

int logbook_reopen_run(struct logbook *logbook, int64_t run,
                       struct fault *fault)
{
    sqlite3_stmt *update = NULL;
    const int code = logbook_prepare(logbook->database,
                                     "UPDATE runs SET state = 'running', "
                                     "ended_unix_ns = NULL WHERE run = ?",
                                     &update, fault);

    if (code)
        return code;
    sqlite3_bind_int64(update, 1, run);
    return finish(logbook, update, fault);
}

int logbook_count_resumes(struct logbook *logbook, int64_t run,
                          uint64_t *ret_count, struct fault *fault)
{
    char sql[128];
    int64_t count = 0;

    (void) snprintf(sql, sizeof(sql),
                    "SELECT count(*) FROM notes WHERE run = %lld AND class = "
                    "'resumed'",
                    (long long) run);
    const int code = read_number(logbook, sql, &count, fault);
    *ret_count = (uint64_t) count;
    return code;
}

/* --- a group ------------------------------------------------------------ */

static int store_note(struct logbook *logbook, int64_t run, int64_t group_id,
                      const struct logbook_note *note, struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    const int code =
        logbook_prepare(logbook->database,
                        "INSERT INTO notes (run, group_id, at_unix_ns, "
                        "class, text) VALUES (?, ?, ?, ?, ?)",
                        &insert, fault);

    if (code)
        return code;
    sqlite3_bind_int64(insert, 1, run);
    if (group_id)
        sqlite3_bind_int64(insert, 2, group_id);
    bind_number(insert, 3, note->at_unix_ns);
    bind_text(insert, 4, note->class);
    bind_text(insert, 5, note->text);
    return finish(logbook, insert, fault);
}

int logbook_store_note(struct logbook *logbook, int64_t run,
                       const struct logbook_note *note, struct fault *fault)
{
    return store_note(logbook, run, 0, note, fault);
}

/* One row whose keys are the given numbers. */
static int store_row(struct logbook *logbook, const struct logbook_table *table,
                     int64_t key, const void *record, struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    int code = logbook_prepare_insert(logbook->database, table, &insert, fault);

    if (!code) {
        sqlite3_bind_int64(insert, 1, key);
        code = logbook_insert(insert, table, record, fault);
    }
    sqlite3_finalize(insert);
    return code;
}

static int store_series(struct logbook *logbook,
                        const struct logbook_table *table, int64_t account_id,
                        const struct rows *rows, struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    int code = logbook_prepare_insert(logbook->database, table, &insert, fault);

    for (size_t i = 0; i < rows->count && !code; i++) {
        sqlite3_bind_int64(insert, 1, account_id);
        sqlite3_bind_int64(insert, 2, (sqlite3_int64) i);
        code = logbook_insert(insert, table, rows_at(rows, i), fault);
    }
    sqlite3_finalize(insert);
    return code;
}

static int store_account_row(struct logbook *logbook, int64_t exchange_id,
                             const struct logbook_account *account,
                             int64_t *ret_account_id, struct fault *fault)
{
    struct logbook_table table;
    sqlite3_stmt *insert = NULL;

    logbook_accounts_table(&table);
    int code =
        logbook_prepare_insert(logbook->database, &table, &insert, fault);
    if (!code) {
        sqlite3_bind_int64(insert, 1, exchange_id);
        bind_text(insert, 2, account->end);
        bind_number(insert, 3, account->start_ns);
        bind_number(insert, 4, account->start_uncertainty_ns);
        sqlite3_bind_int64(insert, 5, account->offset_ns);
        code = logbook_insert(insert, &table, account->account, fault);
    }
    sqlite3_finalize(insert);
    *ret_account_id = sqlite3_last_insert_rowid(logbook->database);
    return code;
}

static int store_readings(struct logbook *logbook, int64_t exchange_id,
                          const char *end, const struct rows *readings,
                          struct fault *fault)
{
    struct logbook_table table;
    sqlite3_stmt *insert = NULL;

    logbook_readings_table(&table);
    int code =
        logbook_prepare_insert(logbook->database, &table, &insert, fault);
    for (size_t i = 0; i < readings->count && !code; i++) {
        sqlite3_bind_int64(insert, 1, exchange_id);
        bind_text(insert, 2, end);
        code = logbook_insert(insert, &table, rows_at(readings, i), fault);
    }
    sqlite3_finalize(insert);
    return code;
}

static int store_account(struct logbook *logbook, int64_t exchange_id,
                         const struct kind *kind,
                         const struct logbook_account *account,
                         struct fault *fault)
{
    struct logbook_table table;
    int64_t account_id;
    int code =
        store_account_row(logbook, exchange_id, account, &account_id, fault);

    if (code)
        return code;
    logbook_outcome_table(kind, &table);
    code = store_row(logbook, &table, account_id,
                     account->account->outcome.bytes, fault);
    for (size_t i = 0; i < kind->series_count && !code; i++) {
        logbook_series_table(kind, &kind->series[i], &table);
        code = store_series(logbook, &table, account_id,
                            &account->account->series[i], fault);
    }
    if (!code)
        code = store_readings(logbook, exchange_id, account->end,
                              &account->account->readings, fault);
    return code;
}

static int store_exchange_row(struct logbook *logbook, int64_t group_id,
                              const struct logbook_exchange *exchange,
                              struct fault *fault)
{
    sqlite3_stmt *insert = NULL;
    const int code =
        logbook_prepare(logbook->database,
                        "INSERT INTO exchanges (group_id, id, kind, "
                        "from_name, to_name, condition, seed, plan_index) "
                        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                        &insert, fault);

    if (code)
        return code;
    sqlite3_bind_int64(insert, 1, group_id);
    bind_text(insert, 2, exchange->id);
    bind_text(insert, 3, exchange->kind->name);
    bind_text(insert, 4, exchange->from);
    bind_text(insert, 5, exchange->to);
    bind_text(insert, 6, exchange->condition);
    bind_number(insert, 7, exchange->seed);
    bind_number(insert, 8, exchange->plan_index);
    return finish(logbook, insert, fault);
}

static int store_exchange(struct logbook *logbook, int64_t group_id,
                          const struct logbook_exchange *exchange,
                          struct fault *fault)
{
    struct logbook_table table;
    int code = store_exchange_row(logbook, group_id, exchange, fault);

    if (code)
        return code;
    const int64_t exchange_id = sqlite3_last_insert_rowid(logbook->database);
    logbook_spec_table(exchange->kind, &table);
    code = store_row(logbook, &table, exchange_id, exchange->spec, fault);
    for (size_t i = 0; i < exchange->account_count && !code; i++)
        code = store_account(logbook, exchange_id, exchange->kind,
                             &exchange->accounts[i], fault);
    for (size_t i = 0; i < exchange->typed_count && !code; i++)
        code = store_readings(logbook, exchange_id, exchange->typed[i].end,
                              exchange->typed[i].readings, fault);
    return code;
}

/* The next free number beside the positions. */
static int cut_position(struct logbook *logbook, int64_t run,
                        int64_t *ret_position, struct fault *fault)
{
    char sql[128];

    (void) snprintf(sql, sizeof(sql),
                    "SELECT min(0, coalesce(min(position), 0)) - 1 FROM groups "
                    "WHERE run = %lld",
                    (long long) run);
    return read_number(logbook, sql, ret_position, fault);
}

static int store_group_row(struct logbook *logbook, int64_t run,
                           const struct logbook_group *group,
                           struct fault *fault)
{
    int64_t position = (int64_t) group->position;
    sqlite3_stmt *insert = NULL;
    int code = group->is_cut ? cut_position(logbook, run, &position, fault) : 0;

    if (code)
        return code;
    code = logbook_prepare(
        logbook->database,
        "INSERT INTO groups (run, position, round, step, place, "
        "started_unix_ns, ended_unix_ns, control_sent_bytes, "
        "control_received_bytes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        &insert, fault);
    if (code)
        return code;
    sqlite3_bind_int64(insert, 1, run);
    sqlite3_bind_int64(insert, 2, position);
    bind_number(insert, 3, group->round);
    bind_text(insert, 4, group->step);
    bind_number(insert, 5, group->place);
    bind_number(insert, 6, group->started_unix_ns);
    bind_number(insert, 7, group->ended_unix_ns);
    bind_number(insert, 8, group->control_sent_bytes);
    bind_number(insert, 9, group->control_received_bytes);
    return finish(logbook, insert, fault);
}

static int store_group_rows(struct logbook *logbook, int64_t run,
                            const struct logbook_group *group,
                            struct fault *fault)
{
    int code = store_group_row(logbook, run, group, fault);

    if (code)
        return code;
    const int64_t group_id = sqlite3_last_insert_rowid(logbook->database);
    for (size_t i = 0; i < group->exchange_count && !code; i++)
        code = store_exchange(logbook, group_id, &group->exchanges[i], fault);
    for (size_t i = 0; i < group->note_count && !code; i++)
        code = store_note(logbook, run, group_id, &group->notes[i], fault);
    return code;
}

/* The transaction around a few rows, or the part of a larger one. */
static int begin_rows(struct logbook *logbook, struct fault *fault)
{
    return logbook->is_together
               ? 0
               : run_sql(logbook, "BEGIN IMMEDIATE", "store", fault);
}

/* SQLite rolls back by itself on a full disk; a second ROLLBACK is then
 * refused, which does no harm. */
static int commit_or_undo(struct logbook *logbook, int code,
                          struct fault *fault)
{
    if (logbook->is_together)
        return code;
    if (!code)
        code = run_sql(logbook, "COMMIT", "store", fault);
    if (code)
        (void) sqlite3_exec(logbook->database, "ROLLBACK", NULL, NULL, NULL);
    return code;
}

int logbook_begin(struct logbook *logbook, struct fault *fault)
{
    const int code = begin_rows(logbook, fault);

    logbook->is_together = code == 0;
    return code;
}

int logbook_finish(struct logbook *logbook, int code, struct fault *fault)
{
    logbook->is_together = false;
    return commit_or_undo(logbook, code, fault);
}

int logbook_store_group(struct logbook *logbook, int64_t run,
                        const struct logbook_group *group, struct fault *fault)
{
    int code = begin_rows(logbook, fault);

    if (code)
        return code;
    code = store_group_rows(logbook, run, group, fault);
    return commit_or_undo(logbook, code, fault);
}

/* --- a late account ----------------------------------------------------- */

struct found_exchange {
    int64_t exchange_id; /* 0: there is none */
    const struct kind *kind;
    bool has_account;
};

static int find_exchange(struct logbook *logbook, const char *id,
                         const char *end, struct found_exchange *ret_found,
                         struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    int code =
        logbook_prepare(logbook->database,
                        "SELECT e.exchange, e.kind, EXISTS (SELECT 1 FROM "
                        "accounts a WHERE a.exchange = e.exchange AND "
                        "a.\"end\" = ?2) FROM exchanges e WHERE e.id = ?1",
                        &query, fault);

    *ret_found = (struct found_exchange){ 0 };
    if (code)
        return code;
    bind_text(query, 1, id);
    bind_text(query, 2, end);
    const int status = sqlite3_step(query);
    if (status == SQLITE_ROW) {
        ret_found->exchange_id = sqlite3_column_int64(query, 0);
        ret_found->kind =
            kind_by_name((const char *) sqlite3_column_text(query, 1));
        ret_found->has_account = sqlite3_column_int(query, 2) != 0;
    }
    if (status != SQLITE_ROW && status != SQLITE_DONE)
        code = logbook_fault(logbook->database, "read", fault);
    sqlite3_finalize(query);
    return code;
}

int logbook_look_for_account(struct logbook *logbook, const char *exchange_id,
                             const char *end,
                             enum logbook_presence *ret_presence,
                             struct fault *fault)
{
    struct found_exchange found;
    const int code = find_exchange(logbook, exchange_id, end, &found, fault);

    if (code)
        return code;
    *ret_presence = !found.exchange_id  ? LOGBOOK_UNKNOWN
                    : found.has_account ? LOGBOOK_THERE
                                        : LOGBOOK_NO_ACCOUNT;
    return 0;
}

int logbook_add_account(struct logbook *logbook, const char *exchange_id,
                        const struct logbook_account *account,
                        struct fault *fault)
{
    struct found_exchange found;
    int code = begin_rows(logbook, fault);

    if (code)
        return code;
    code = find_exchange(logbook, exchange_id, account->end, &found, fault);
    if (!code && (!found.exchange_id || !found.kind))
        code = fault_set(fault, UV_ENOENT,
                         "cannot store the account of '%s': the logbook has "
                         "no exchange of that id",
                         exchange_id);
    if (!code && found.kind && !found.has_account)
        code = store_account(logbook, found.exchange_id, found.kind, account,
                             fault);
    return commit_or_undo(logbook, code, fault);
}
