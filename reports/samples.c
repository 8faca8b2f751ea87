/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/samples.h"

#include <errno.h>

int samples_failed(sqlite3 *logbook, const char *doing, struct fault *fault)
{
    return fault_set(fault, -EIO, "cannot read %s from the logbook: %s", doing,
                     sqlite3_errmsg(logbook));
}

int samples_prepare(sqlite3 *logbook, const char *sql, int64_t key,
                    sqlite3_stmt **ret_statement, struct fault *fault)
{
    sqlite3_stmt *statement = NULL;

    if (sqlite3_prepare_v2(logbook, sql, -1, &statement, NULL) != SQLITE_OK
        || sqlite3_bind_int64(statement, 1, key) != SQLITE_OK) {
        (void) sqlite3_finalize(statement);
        return samples_failed(logbook, "samples", fault);
    }
    *ret_statement = statement;
    return 0;
}

void samples_text(sqlite3_stmt *row, int column, char *ret_text, size_t size)
{
    const unsigned char *text = sqlite3_column_text(row, column);

    (void) snprintf(ret_text, size, "%s", text ? (const char *) text : "");
}

uint64_t samples_whole(sqlite3_stmt *row, int column)
{
    const int64_t value = sqlite3_column_int64(row, column);

    return value > 0 ? (uint64_t) value : 0;
}

static double real_in(sqlite3_stmt *row, int column)
{
    return sqlite3_column_type(row, column) == SQLITE_NULL
               ? (double) NAN
               : sqlite3_column_double(row, column);
}

static int choice_in(sqlite3_stmt *row, int column, const char *const *choices)
{
    const unsigned char *text = sqlite3_column_text(row, column);

    for (int i = 0; text && choices[i]; i++) {
        if (strcmp(choices[i], (const char *) text) == 0)
            return i;
    }
    return 0;
}

static int columns_of(const struct field *field)
{
    if (field->shape == FIELD_RANGE)
        return 2;
    return field->shape == FIELD_SPREAD ? 4 : 1;
}

static void read_field(sqlite3_stmt *row, int column, const struct field *field,
                       void *record)
{
    void *member = field_in(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
        *(uint64_t *) member = samples_whole(row, column);
        return;
    case FIELD_SIGNED:
        *(int64_t *) member = sqlite3_column_int64(row, column);
        return;
    case FIELD_REAL:
        *(double *) member = real_in(row, column);
        return;
    case FIELD_RANGE:
        *(struct range *) member =
            (struct range){ real_in(row, column), real_in(row, column + 1) };
        return;
    case FIELD_SPREAD:
        *(struct spread *) member =
            (struct spread){ (enum spread_form) choice_in(row, column,
                                                          spread_forms),
                             real_in(row, column + 1), real_in(row, column + 2),
                             real_in(row, column + 3) };
        return;
    case FIELD_CHOICE:
        *(int *) member = choice_in(row, column, field->choices);
        return;
    case FIELD_FLAG:
        *(bool *) member = sqlite3_column_int64(row, column) != 0;
        return;
    case FIELD_TEXT:
        samples_text(row, column, member, field->size);
        return;
    }
}

/* Names come from our own lists; they are quoted because some are words of
 * SQL. */
static void add_columns(sqlite3_str *sql, const struct field *field)
{
    if (field->shape == FIELD_SPREAD)
        sqlite3_str_appendf(sql, "\"%w_form\", \"%w_mean\", ", field->name,
                            field->name);
    if (field->shape == FIELD_SPREAD || field->shape == FIELD_RANGE)
        sqlite3_str_appendf(sql, "\"%w_low\", \"%w_high\"", field->name,
                            field->name);
    else
        sqlite3_str_appendf(sql, "\"%w\"", field->name);
}

static int prepare(sqlite3 *logbook, const struct samples_query *query,
                   sqlite3_stmt **ret_statement, struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(logbook);

    sqlite3_str_appendall(sql, "SELECT ");
    if (query->extra)
        sqlite3_str_appendf(sql, "%s, ", query->extra);
    for (size_t i = 0; i < query->field_count; i++) {
        if (i)
            sqlite3_str_appendall(sql, ", ");
        add_columns(sql, &query->fields[i]);
    }
    sqlite3_str_appendf(sql, " FROM \"%w\" WHERE %s", query->table,
                        query->where);
    if (query->order)
        sqlite3_str_appendf(sql, " ORDER BY %s", query->order);
    char *text = sqlite3_str_finish(sql);
    const int code =
        text ? samples_prepare(logbook, text, query->key, ret_statement, fault)
             : fault_set(fault, -ENOMEM, "out of memory");

    sqlite3_free(text);
    return code;
}

/* Columns before those of the fields. */
static int extra_columns(sqlite3_stmt *row, const struct samples_query *query)
{
    int count = sqlite3_column_count(row);

    for (size_t i = 0; i < query->field_count; i++)
        count -= columns_of(&query->fields[i]);
    return count;
}

static void read_record(sqlite3_stmt *row, int column,
                        const struct samples_query *query, void *record)
{
    for (size_t i = 0; i < query->field_count; i++) {
        read_field(row, column, &query->fields[i], record);
        column += columns_of(&query->fields[i]);
    }
}

int samples_read(sqlite3 *logbook, const struct samples_query *query,
                 samples_row_fn *on_row, void *owner, struct rows *rows,
                 struct fault *fault)
{
    sqlite3_stmt *row = NULL;
    int step;
    const int code = prepare(logbook, query, &row, fault);

    if (code)
        return code;
    const int first = extra_columns(row, query);

    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        void *record = rows_add(rows);

        read_record(row, first, query, record);
        if (on_row)
            on_row(owner, row, record);
    }
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE ? 0
                               : samples_failed(logbook, query->table, fault);
}

int samples_stream(sqlite3 *logbook, const struct samples_query *query,
                   void *record, size_t record_bytes,
                   samples_record_fn *on_record, void *owner,
                   struct fault *fault)
{
    sqlite3_stmt *row = NULL;
    int step;
    const int code = prepare(logbook, query, &row, fault);

    if (code)
        return code;
    const int first = extra_columns(row, query);

    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        (void) memset(record, 0, record_bytes);
        read_record(row, first, query, record);
        on_record(owner, record);
    }
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE ? 0
                               : samples_failed(logbook, query->table, fault);
}
