/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_SAMPLES_H
#define REPORTS_SAMPLES_H

#include <bothends/fault.h>
#include <bothends/fields.h>
#include <bothends/rows.h>
#include <sqlite3.h>

/*
 * Reads rows of the logbook into structs by their field lists, as
 * bothends/logbook.h says how columns are named.  What a column does not hold
 * (NULL, a negative whole number, an unknown word) is "not said".
 */
struct samples_query {
    const char *table;
    const char *where; /* SQL with one parameter */
    int64_t key;
    const char *order;          /* SQL, or NULL */
    const char *extra;          /* columns read before the fields, or NULL */
    const struct field *fields; /* borrowed */
    size_t field_count;
};

/* Told of each row after its fields are read; extra columns come first in the
 * statement. */
typedef void samples_row_fn(void *owner, sqlite3_stmt *row, void *record);

/* Adds to rows, whose row_size is that of the struct. */
int samples_read(sqlite3 *logbook, const struct samples_query *query,
                 samples_row_fn *on_row, void *owner, struct rows *rows,
                 struct fault *fault);

/* The same one at a time, into the caller's record, which is zeroed before each
 * row: for series that are too long to be held.  on_record may be told of
 * millions. */
typedef void samples_record_fn(void *owner, const void *record);
int samples_stream(sqlite3 *logbook, const struct samples_query *query,
                   void *record, size_t record_bytes,
                   samples_record_fn *on_record, void *owner,
                   struct fault *fault);

/* A statement, its first parameter bound to key. */
int samples_prepare(sqlite3 *logbook, const char *sql, int64_t key,
                    sqlite3_stmt **ret_statement, struct fault *fault);
int samples_failed(sqlite3 *logbook, const char *doing, struct fault *fault);

/* A text column into room of that size; NULL reads as "". */
void samples_text(sqlite3_stmt *row, int column, char *ret_text, size_t size);
/* A number that can't be negative. */
uint64_t samples_whole(sqlite3_stmt *row, int column);

#endif
