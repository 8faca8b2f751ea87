/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook_inside.h"

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

int logbook_run_sql(struct logbook *logbook, const char *sql, const char *doing,
                    struct fault *fault)
{
    return sqlite3_exec(logbook->database, sql, NULL, NULL, NULL) == SQLITE_OK
               ? 0
               : logbook_fault(logbook->database, doing, fault);
}

int logbook_read_number(struct logbook *logbook, const char *sql,
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
    int code = logbook_read_number(logbook, "PRAGMA application_id",
                                   &ret_identity->application, fault);

    if (!code)
        code = logbook_read_number(logbook, "PRAGMA user_version",
                                   &ret_identity->version, fault);
    if (!code)
        code =
            logbook_read_number(logbook, "SELECT count(*) FROM sqlite_schema",
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
    int code = logbook_run_sql(logbook, logbook_fixed_tables, "make the tables",
                               fault);
    if (!code)
        code = logbook_run_sql(logbook, pragmas, "make the tables", fault);
    return code;
}

/* Tables are made or grown in one transaction: two programs that open a new
 * file at once don't trip over each other. */
static int prepare_tables(struct logbook *logbook, struct fault *fault)
{
    struct identity identity = { 0 };
    int code = logbook_run_sql(logbook, "BEGIN IMMEDIATE", "write", fault);

    if (code)
        return code;
    code = read_identity(logbook, &identity, fault);
    if (!code && identity.table_count == 0)
        code = make_fixed_tables(logbook, fault);
    if (!code)
        code = logbook_prepare_tables(logbook->database, fault);
    if (!code)
        code = logbook_run_sql(logbook, "COMMIT", "make the tables", fault);
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
        code =
            logbook_run_sql(logbook, "PRAGMA foreign_keys = ON", "read", fault);
    if (code
        || (use == LOGBOOK_READ
            && sqlite3_db_readonly(logbook->database, "main") == 1))
        return code;
    /* An account is acknowledged after the commit, and then the agent drops
     * its own copy: the commit must be on the disk. */
    code = logbook_run_sql(
        logbook, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL",
        "write", fault);
    if (!code)
        code = prepare_tables(logbook, fault);
    return code;
}

/* --- statements --------------------------------------------------------- */

void logbook_bind_text(sqlite3_stmt *statement, int index, const char *text)
{
    sqlite3_bind_text(statement, index, text ? text : "", -1, SQLITE_STATIC);
}

void logbook_bind_number(sqlite3_stmt *statement, int index, uint64_t number)
{
    sqlite3_bind_int64(statement, index, (sqlite3_int64) number);
}

int logbook_write(struct logbook *logbook, sqlite3_stmt *statement,
                  struct fault *fault)
{
    const int status = sqlite3_step(statement);
    const int code = status == SQLITE_DONE
                         ? 0
                         : logbook_fault(logbook->database, "store", fault);

    sqlite3_finalize(statement);
    return code;
}
