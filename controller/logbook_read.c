/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook.h"

#include "controller/logbook_tables.h"

#include <stdlib.h>
#include <string.h>
#include <uv.h>

/* The read side: which runs there are, and how far they came. */

#define RUN_COLUMNS                                                            \
    "SELECT run, title, plan_text, plan_path, practice, started_unix_ns, "     \
    "coalesce(ended_unix_ns, 0), state, seed, (SELECT count(*) FROM groups g " \
    "WHERE g.run = runs.run AND position >= 0) FROM runs "

static char *text_of(sqlite3_stmt *query, int column)
{
    const unsigned char *text = sqlite3_column_text(query, column);
    char *copy = strdup(text ? (const char *) text : "");

    if (!copy) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    return copy;
}

static void read_run(sqlite3_stmt *query, struct logbook_run *ret_run)
{
    *ret_run = (struct logbook_run){
        .run = sqlite3_column_int64(query, 0),
        .title = text_of(query, 1),
        .plan_text = text_of(query, 2),
        .plan_path = text_of(query, 3),
        .practice = sqlite3_column_int(query, 4) != 0,
        .started_unix_ns = (uint64_t) sqlite3_column_int64(query, 5),
        .ended_unix_ns = (uint64_t) sqlite3_column_int64(query, 6),
        .seed = (uint64_t) sqlite3_column_int64(query, 8),
        .group_count = (uint64_t) sqlite3_column_int64(query, 9),
    };
    (void) snprintf(ret_run->state, sizeof(ret_run->state), "%s",
                    (const char *) sqlite3_column_text(query, 7));
}

void logbook_run_clear(struct logbook_run *run)
{
    free(run->title);
    free(run->plan_text);
    free(run->plan_path);
    *run = (struct logbook_run){ 0 };
}

/* The first row as a run; UV_ENOENT without a word when there is none. */
static int first_run(struct logbook *logbook, sqlite3_stmt *query,
                     struct logbook_run *ret_run, struct fault *fault)
{
    const int status = sqlite3_step(query);
    int code = 0;

    if (status == SQLITE_ROW)
        read_run(query, ret_run);
    else if (status == SQLITE_DONE)
        code = UV_ENOENT;
    else
        code = logbook_fault(logbook_database(logbook), "read", fault);
    sqlite3_finalize(query);
    return code;
}

int logbook_find_run(struct logbook *logbook, int64_t run,
                     struct logbook_run *ret_run, struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    int code = logbook_prepare(logbook_database(logbook),
                               run ? RUN_COLUMNS "WHERE run = ?"
                                   : RUN_COLUMNS "ORDER BY run DESC LIMIT 1",
                               &query, fault);

    if (code)
        return code;
    if (run)
        sqlite3_bind_int64(query, 1, run);
    code = first_run(logbook, query, ret_run, fault);
    if (code == UV_ENOENT && run)
        return fault_set(fault, code,
                         "the logbook '%s' has no run %lld: 'bothends runs' "
                         "lists what it has",
                         logbook_path(logbook), (long long) run);
    if (code == UV_ENOENT)
        return fault_set(fault, code, "the logbook '%s' has no run yet",
                         logbook_path(logbook));
    return code;
}

int logbook_find_unfinished(struct logbook *logbook,
                            struct logbook_run *ret_run, struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    int code = logbook_prepare(logbook_database(logbook),
                               RUN_COLUMNS
                               "WHERE state <> 'complete' AND (state <> "
                               "'failed' OR EXISTS (SELECT 1 FROM groups g "
                               "WHERE g.run = runs.run)) "
                               "ORDER BY run DESC LIMIT 1",
                               &query, fault);

    if (code)
        return code;
    code = first_run(logbook, query, ret_run, fault);
    if (code == UV_ENOENT)
        return fault_set(fault, code,
                         "nothing to resume: no run in '%s' was cut off",
                         logbook_path(logbook));
    return code;
}

/* status: of the last step, which was to be a row or the end. */
static int end_query(struct logbook *logbook, sqlite3_stmt *query, int status,
                     struct fault *fault)
{
    const int code =
        status == SQLITE_ROW || status == SQLITE_DONE
            ? 0
            : logbook_fault(logbook_database(logbook), "read", fault);

    sqlite3_finalize(query);
    return code;
}

int logbook_list_runs(struct logbook *logbook, struct rows *ret_runs,
                      struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    const int code = logbook_prepare(logbook_database(logbook),
                                     RUN_COLUMNS "ORDER BY run", &query, fault);

    if (code)
        return code;
    *ret_runs = (struct rows){ .row_size = sizeof(struct logbook_run) };
    int status;
    while ((status = sqlite3_step(query)) == SQLITE_ROW)
        read_run(query, rows_add(ret_runs));
    return end_query(logbook, query, status, fault);
}

int logbook_has_group(struct logbook *logbook, int64_t run, uint64_t position,
                      bool *ret_has, struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    const int code = logbook_prepare(
        logbook_database(logbook),
        "SELECT 1 FROM groups WHERE run = ? AND position = ?", &query, fault);

    if (code)
        return code;
    sqlite3_bind_int64(query, 1, run);
    sqlite3_bind_int64(query, 2, (sqlite3_int64) position);
    const int status = sqlite3_step(query);
    *ret_has = status == SQLITE_ROW;
    return end_query(logbook, query, status, fault);
}

int logbook_count_accounts(struct logbook *logbook, int64_t run,
                           uint64_t *ret_count, struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    const int code = logbook_prepare(
        logbook_database(logbook),
        "SELECT count(*) FROM accounts JOIN exchanges USING (exchange) JOIN "
        "groups USING (group_id) WHERE run = ? AND position >= 0",
        &query, fault);

    if (code)
        return code;
    sqlite3_bind_int64(query, 1, run);
    const int status = sqlite3_step(query);
    *ret_count =
        status == SQLITE_ROW ? (uint64_t) sqlite3_column_int64(query, 0) : 0;
    return end_query(logbook, query, status, fault);
}

static void copy_text(sqlite3_stmt *query, int column, char *ret_text,
                      size_t size)
{
    const unsigned char *text = sqlite3_column_text(query, column);

    (void) snprintf(ret_text, size, "%s", text ? (const char *) text : "");
}

int logbook_find_exchange(struct logbook *logbook, const char *exchange_id,
                          struct logbook_found *ret_found, struct fault *fault)
{
    sqlite3_stmt *query = NULL;
    int code = logbook_prepare(
        logbook_database(logbook),
        "SELECT run, kind, from_name, to_name FROM exchanges JOIN groups USING "
        "(group_id) WHERE id = ?",
        &query, fault);

    if (code)
        return code;
    sqlite3_bind_text(query, 1, exchange_id, -1, SQLITE_STATIC);
    const int status = sqlite3_step(query);
    if (status == SQLITE_ROW) {
        ret_found->run = sqlite3_column_int64(query, 0);
        copy_text(query, 1, ret_found->kind, sizeof(ret_found->kind));
        copy_text(query, 2, ret_found->from, sizeof(ret_found->from));
        copy_text(query, 3, ret_found->to, sizeof(ret_found->to));
    }
    code = end_query(logbook, query, status, fault);
    return !code && status == SQLITE_DONE ? UV_ENOENT : code;
}
