/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook_inside.h"

#include <bothends/draw.h>
#include <string.h>
#include <uv.h>

void logbook_tag(uint64_t started_unix_ns, char ret_tag[LOGBOOK_TAG_SIZE])
{
    struct draw draw = { started_unix_ns };

    (void) snprintf(ret_tag, LOGBOOK_TAG_SIZE, "%06llx",
                    (unsigned long long) (draw_next(&draw) >> 40));
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
    logbook_bind_text(insert, 1, run->title);
    logbook_bind_text(insert, 2, run->plan_text);
    logbook_bind_text(insert, 3, run->plan_path);
    sqlite3_bind_int(insert, 4, run->practice);
    logbook_bind_text(insert, 5, BOTHENDS_VERSION);
    logbook_bind_number(insert, 6, run->started_unix_ns);
    logbook_bind_number(insert, 7, run->seed);
    code = logbook_write(logbook, insert, fault);
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
    logbook_bind_text(insert, 2, end);
    logbook_bind_text(insert, 3, self_json);
    logbook_bind_text(insert, 4, contact_json);
    return logbook_write(logbook, insert, fault);
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
    logbook_bind_text(update, 1, state);
    logbook_bind_number(update, 2, ended_unix_ns);
    sqlite3_bind_int64(update, 3, run);
    return logbook_write(logbook, update, fault);
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
    return logbook_write(logbook, update, fault);
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
    const int code = logbook_read_number(logbook, sql, &count, fault);
    *ret_count = (uint64_t) count;
    return code;
}
