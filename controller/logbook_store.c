/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook_inside.h"

#include <bothends/kinds.h>
#include <uv.h>

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
    logbook_bind_number(insert, 3, note->at_unix_ns);
    logbook_bind_text(insert, 4, note->class);
    logbook_bind_text(insert, 5, note->text);
    return logbook_write(logbook, insert, fault);
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
        logbook_bind_text(insert, 2, account->end);
        logbook_bind_number(insert, 3, account->start_ns);
        logbook_bind_number(insert, 4, account->start_uncertainty_ns);
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
        logbook_bind_text(insert, 2, end);
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
    logbook_bind_text(insert, 2, exchange->id);
    logbook_bind_text(insert, 3, exchange->kind->name);
    logbook_bind_text(insert, 4, exchange->from);
    logbook_bind_text(insert, 5, exchange->to);
    logbook_bind_text(insert, 6, exchange->condition);
    logbook_bind_number(insert, 7, exchange->seed);
    logbook_bind_number(insert, 8, exchange->plan_index);
    return logbook_write(logbook, insert, fault);
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
    return logbook_read_number(logbook, sql, ret_position, fault);
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
    logbook_bind_number(insert, 3, group->round);
    logbook_bind_text(insert, 4, group->step);
    logbook_bind_number(insert, 5, group->place);
    logbook_bind_number(insert, 6, group->started_unix_ns);
    logbook_bind_number(insert, 7, group->ended_unix_ns);
    logbook_bind_number(insert, 8, group->control_sent_bytes);
    logbook_bind_number(insert, 9, group->control_received_bytes);
    return logbook_write(logbook, insert, fault);
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
               : logbook_run_sql(logbook, "BEGIN IMMEDIATE", "store", fault);
}

/* SQLite rolls back by itself on a full disk; a second ROLLBACK is then
 * refused, which does no harm. */
static int commit_or_undo(struct logbook *logbook, int code,
                          struct fault *fault)
{
    if (logbook->is_together)
        return code;
    if (!code)
        code = logbook_run_sql(logbook, "COMMIT", "store", fault);
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
    logbook_bind_text(query, 1, id);
    logbook_bind_text(query, 2, end);
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
