/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/logbook_tables.h"

#include <bothends/exchange.h>
#include <bothends/kinds.h>
#include <string.h>
#include <uv.h>

/* A field becomes one column, a RANGE two, a SPREAD four. */
struct column {
    const char *ending; /* after the field's name */
    const char *type;
};

static const struct column integer_column[] = { { "", "INTEGER" } };
static const struct column real_column[] = { { "", "REAL" } };
static const struct column text_column[] = { { "", "TEXT" } };
static const struct column range_columns[] = { { "_low", "REAL" },
                                               { "_high", "REAL" } };
static const struct column spread_columns[] = { { "_form", "TEXT" },
                                                { "_mean", "REAL" },
                                                { "_low", "REAL" },
                                                { "_high", "REAL" } };

static const struct column *columns_of(const struct field *field,
                                       size_t *ret_count)
{
    *ret_count = 1;
    switch (field->shape) {
    case FIELD_WHOLE:
    case FIELD_SIGNED:
    case FIELD_FLAG:
        return integer_column;
    case FIELD_REAL:
        return real_column;
    case FIELD_CHOICE:
    case FIELD_TEXT:
        return text_column;
    case FIELD_RANGE:
        *ret_count = COUNT_OF(range_columns);
        return range_columns;
    case FIELD_SPREAD:
        *ret_count = COUNT_OF(spread_columns);
        return spread_columns;
    }
    return integer_column;
}

int logbook_fault(sqlite3 *database, const char *doing, struct fault *fault)
{
    const char *path = sqlite3_db_filename(database, "main");

    if (!path)
        path = "";
    switch (sqlite3_errcode(database)) {
    case SQLITE_FULL:
        return fault_set(fault, UV_ENOSPC,
                         "cannot %s in '%s': the disk is full; nothing of it "
                         "was stored, make room and go on",
                         doing, path);
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
        return fault_set(fault, UV_EROFS,
                         "cannot %s in '%s': the file or its folder is "
                         "write-protected",
                         doing, path);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return fault_set(fault, UV_EBUSY,
                         "cannot %s in '%s': another program holds it", doing,
                         path);
    case SQLITE_CORRUPT:
        return fault_set(fault, UV_EIO,
                         "cannot %s in '%s': the file is damaged (%s)", doing,
                         path, sqlite3_errmsg(database));
    default:
        return fault_set(fault, UV_EIO, "cannot %s in '%s': %s", doing, path,
                         sqlite3_errmsg(database));
    }
}

int logbook_prepare(sqlite3 *database, const char *sql,
                    sqlite3_stmt **ret_statement, struct fault *fault)
{
    return sqlite3_prepare_v2(database, sql, -1, ret_statement, NULL)
                   == SQLITE_OK
               ? 0
               : logbook_fault(database, "use the logbook", fault);
}

/* --- the tables --------------------------------------------------------- */

void logbook_accounts_table(struct logbook_table *ret_table)
{
    /* An exchange's row holds the id and the kind, which come first in the
     * list: accounts begins after them. */
    static const size_t elsewhere_count = 2;

    *ret_table = (struct logbook_table){
        .name = "accounts",
        .head = "account INTEGER PRIMARY KEY, "
                "exchange INTEGER NOT NULL REFERENCES exchanges, "
                "\"end\" TEXT NOT NULL, start_ns INTEGER NOT NULL, "
                "start_uncertainty_ns INTEGER NOT NULL, "
                "offset_ns INTEGER NOT NULL",
        .tail = ", UNIQUE (exchange, \"end\")",
        .keys = "exchange, \"end\", start_ns, start_uncertainty_ns, offset_ns",
        .key_count = 5,
        .fields = account_fields + elsewhere_count,
        .field_count = COUNT_OF(account_fields) - elsewhere_count,
    };
}

void logbook_spec_table(const struct kind *kind,
                        struct logbook_table *ret_table)
{
    *ret_table = (struct logbook_table){
        .head = "exchange INTEGER PRIMARY KEY REFERENCES exchanges",
        .tail = "",
        .keys = "exchange",
        .key_count = 1,
        .fields = kind->spec_fields,
        .field_count = kind->spec_field_count,
    };
    (void) snprintf(ret_table->name, sizeof(ret_table->name), "%s_spec",
                    kind->name);
}

void logbook_outcome_table(const struct kind *kind,
                           struct logbook_table *ret_table)
{
    *ret_table = (struct logbook_table){
        .head = "account INTEGER PRIMARY KEY REFERENCES accounts",
        .tail = "",
        .keys = "account",
        .key_count = 1,
        .fields = kind->outcome_fields,
        .field_count = kind->outcome_field_count,
    };
    (void) snprintf(ret_table->name, sizeof(ret_table->name), "%s_outcome",
                    kind->name);
}

void logbook_series_table(const struct kind *kind, const struct series *series,
                          struct logbook_table *ret_table)
{
    *ret_table = (struct logbook_table){
        .head = "account INTEGER NOT NULL REFERENCES accounts, "
                "\"row\" INTEGER NOT NULL",
        .tail = ", PRIMARY KEY (account, \"row\")",
        .keys = "account, \"row\"",
        .key_count = 2,
        .without_rowid = true,
        .fields = series->fields,
        .field_count = series->field_count,
    };
    (void) snprintf(ret_table->name, sizeof(ret_table->name), "%s_%s",
                    kind->name, series->name);
}

/* By end and not by account, for the operator also reads radios of ends that
 * have no agent. */
void logbook_readings_table(struct logbook_table *ret_table)
{
    *ret_table = (struct logbook_table){
        .name = "readings",
        .head = "exchange INTEGER NOT NULL REFERENCES exchanges, "
                "\"end\" TEXT NOT NULL",
        .tail = "",
        .keys = "exchange, \"end\"",
        .key_count = 2,
        .fields = readings_series.fields,
        .field_count = readings_series.field_count,
    };
}

/* --- making and growing them -------------------------------------------- */

/* Run the SQL that was put together, and free it. */
static int run_built(sqlite3 *database, sqlite3_str *sql, const char *doing,
                     struct fault *fault)
{
    char *text = sqlite3_str_finish(sql);

    if (!text)
        return fault_set(fault, UV_ENOMEM, "cannot %s: out of memory", doing);
    const int status = sqlite3_exec(database, text, NULL, NULL, NULL);
    sqlite3_free(text);
    return status == SQLITE_OK ? 0 : logbook_fault(database, doing, fault);
}

static int create_table(sqlite3 *database, const struct logbook_table *table,
                        struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(database);

    sqlite3_str_appendf(sql, "CREATE TABLE \"%w\" (%s", table->name,
                        table->head);
    for (size_t i = 0; i < table->field_count; i++) {
        size_t count;
        const struct column *columns = columns_of(&table->fields[i], &count);

        for (size_t k = 0; k < count; k++)
            sqlite3_str_appendf(sql, ", \"%w%s\" %s", table->fields[i].name,
                                columns[k].ending, columns[k].type);
    }
    sqlite3_str_appendf(sql, "%s) STRICT%s", table->tail,
                        table->without_rowid ? ", WITHOUT ROWID" : "");
    return run_built(database, sql, "make a table", fault);
}

/* The type of a column as it is in the file; "" when there is none. */
static int column_type(sqlite3 *database, const char *table, const char *name,
                       char ret_type[16], struct fault *fault)
{
    sqlite3_stmt *query = NULL;

    ret_type[0] = '\0';
    const int code = logbook_prepare(
        database, "SELECT type FROM pragma_table_info(?1) WHERE name = ?2",
        &query, fault);
    if (code)
        return code;
    sqlite3_bind_text(query, 1, table, -1, SQLITE_STATIC);
    sqlite3_bind_text(query, 2, name, -1, SQLITE_STATIC);
    const int status = sqlite3_step(query);
    if (status == SQLITE_ROW)
        (void) snprintf(ret_type, 16, "%s",
                        (const char *) sqlite3_column_text(query, 0));
    sqlite3_finalize(query);
    return status == SQLITE_ROW || status == SQLITE_DONE
               ? 0
               : logbook_fault(database, "read the tables", fault);
}

static int check_column(sqlite3 *database, const struct logbook_table *table,
                        const char *name, const char *type, struct fault *fault)
{
    char found[16];
    const int code = column_type(database, table->name, name, found, fault);

    if (code || strcmp(found, type) == 0)
        return code;
    if (found[0])
        return fault_set(fault, UV_EINVAL,
                         "'%s': column %s of table %s is %s, expected %s: "
                         "another version of bothends made this logbook; name "
                         "another file with --logbook",
                         sqlite3_db_filename(database, "main"), name,
                         table->name, found, type);
    sqlite3_str *sql = sqlite3_str_new(database);
    sqlite3_str_appendf(sql, "ALTER TABLE \"%w\" ADD COLUMN \"%w\" %s",
                        table->name, name, type);
    return run_built(database, sql, "add a column", fault);
}

static int check_columns(sqlite3 *database, const struct logbook_table *table,
                         struct fault *fault)
{
    for (size_t i = 0; i < table->field_count; i++) {
        size_t count;
        const struct column *columns = columns_of(&table->fields[i], &count);

        for (size_t k = 0; k < count; k++) {
            char name[96];

            (void) snprintf(name, sizeof(name), "%s%s", table->fields[i].name,
                            columns[k].ending);
            const int code =
                check_column(database, table, name, columns[k].type, fault);
            if (code)
                return code;
        }
    }
    return 0;
}

static int prepare_table(sqlite3 *database, const struct logbook_table *table,
                         struct fault *fault)
{
    const int status = sqlite3_table_column_metadata(
        database, "main", table->name, NULL, NULL, NULL, NULL, NULL, NULL);

    return status == SQLITE_OK ? check_columns(database, table, fault)
                               : create_table(database, table, fault);
}

int logbook_prepare_tables(sqlite3 *database, struct fault *fault)
{
    struct logbook_table table;

    logbook_accounts_table(&table);
    int code = prepare_table(database, &table, fault);
    logbook_readings_table(&table);
    if (!code)
        code = prepare_table(database, &table, fault);
    for (size_t i = 0; i < COUNT_OF(exchange_kinds) && !code; i++) {
        const struct kind *kind = exchange_kinds[i];

        logbook_spec_table(kind, &table);
        code = prepare_table(database, &table, fault);
        if (code)
            return code;
        logbook_outcome_table(kind, &table);
        code = prepare_table(database, &table, fault);
        for (size_t k = 0; k < kind->series_count && !code; k++) {
            logbook_series_table(kind, &kind->series[k], &table);
            code = prepare_table(database, &table, fault);
        }
    }
    return code;
}

/* --- filling them ------------------------------------------------------- */

int logbook_prepare_insert(sqlite3 *database, const struct logbook_table *table,
                           sqlite3_stmt **ret_insert, struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(database);
    size_t parameter_count = table->key_count;

    sqlite3_str_appendf(sql, "INSERT INTO \"%w\" (%s", table->name,
                        table->keys);
    for (size_t i = 0; i < table->field_count; i++) {
        size_t count;
        const struct column *columns = columns_of(&table->fields[i], &count);

        for (size_t k = 0; k < count; k++)
            sqlite3_str_appendf(sql, ", \"%w%s\"", table->fields[i].name,
                                columns[k].ending);
        parameter_count += count;
    }
    sqlite3_str_appendall(sql, ") VALUES (?");
    for (size_t i = 1; i < parameter_count; i++)
        sqlite3_str_appendall(sql, ", ?");
    sqlite3_str_appendall(sql, ")");

    char *text = sqlite3_str_finish(sql);
    if (!text)
        return fault_set(fault, UV_ENOMEM, "cannot store: out of memory");
    const int status = sqlite3_prepare_v2(database, text, -1, ret_insert, NULL);
    sqlite3_free(text);
    return status == SQLITE_OK ? 0 : logbook_fault(database, "store", fault);
}

/* NaN becomes NULL by SQLite's own rule; here it is said. */
static void bind_real(sqlite3_stmt *insert, int index, double value)
{
    if (isnan(value))
        sqlite3_bind_null(insert, index);
    else
        sqlite3_bind_double(insert, index, value);
}

static int bind_whole(sqlite3_stmt *insert, int index,
                      const struct field *field, uint64_t value,
                      struct fault *fault)
{
    if (value > INT64_MAX)
        return fault_set(fault, UV_ERANGE,
                         "cannot store %s: found %llu, expected at most %lld",
                         field->name, (unsigned long long) value,
                         (long long) INT64_MAX);
    sqlite3_bind_int64(insert, index, (sqlite3_int64) value);
    return 0;
}

static int bind_choice(sqlite3_stmt *insert, int index,
                       const struct field *field, int choice,
                       struct fault *fault)
{
    int count = 0;

    while (field->choices[count])
        count++;
    if (choice < 0 || choice >= count)
        return fault_set(fault, UV_ERANGE,
                         "cannot store %s: found choice %d, expected one of %d",
                         field->name, choice, count);
    sqlite3_bind_text(insert, index, field->choices[choice], -1, SQLITE_STATIC);
    return 0;
}

/* Bind a field to the parameters from *index on, and move it past them. */
static int bind_field(sqlite3_stmt *insert, int *index,
                      const struct field *field, const void *record,
                      struct fault *fault)
{
    const void *member = field_of(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
        return bind_whole(insert, (*index)++, field, *(const uint64_t *) member,
                          fault);
    case FIELD_SIGNED:
        sqlite3_bind_int64(insert, (*index)++, *(const int64_t *) member);
        return 0;
    case FIELD_FLAG:
        sqlite3_bind_int(insert, (*index)++, *(const bool *) member);
        return 0;
    case FIELD_REAL:
        bind_real(insert, (*index)++, *(const double *) member);
        return 0;
    case FIELD_CHOICE:
        return bind_choice(insert, (*index)++, field, *(const int *) member,
                           fault);
    case FIELD_TEXT:
        sqlite3_bind_text(insert, (*index)++, member,
                          (int) strnlen(member, field->size), SQLITE_STATIC);
        return 0;
    case FIELD_RANGE: {
        const struct range *range = member;

        bind_real(insert, (*index)++, range->low);
        bind_real(insert, (*index)++, range->high);
        return 0;
    }
    case FIELD_SPREAD: {
        const struct spread *spread = member;

        sqlite3_bind_text(insert, (*index)++, spread_forms[spread->form], -1,
                          SQLITE_STATIC);
        bind_real(insert, (*index)++, spread->mean);
        bind_real(insert, (*index)++, spread->low);
        bind_real(insert, (*index)++, spread->high);
        return 0;
    }
    }
    return 0;
}

int logbook_insert(sqlite3_stmt *insert, const struct logbook_table *table,
                   const void *record, struct fault *fault)
{
    int index = (int) table->key_count + 1;

    for (size_t i = 0; i < table->field_count; i++) {
        const int code =
            bind_field(insert, &index, &table->fields[i], record, fault);
        if (code)
            return code;
    }
    const int status = sqlite3_step(insert);
    if (status != SQLITE_DONE)
        return logbook_fault(sqlite3_db_handle(insert), "store", fault);
    return sqlite3_reset(insert) == SQLITE_OK
               ? 0
               : logbook_fault(sqlite3_db_handle(insert), "store", fault);
}
