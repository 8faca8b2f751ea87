/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_LOGBOOK_TABLES_H
#define CONTROLLER_LOGBOOK_TABLES_H

#include <bothends/fault.h>
#include <bothends/kind.h>
#include <sqlite3.h>

/*
 * The logbook's tables that are made from field lists: their columns, their
 * growth when a list has grown, and the statements that fill them.
 */
struct logbook_table {
    char name[80];
    const char *head; /* SQL of the columns before the fields */
    const char *tail; /* SQL after them, "" or from a comma on */
    const char *keys; /* names of the head's columns that a row gives */
    size_t key_count;
    bool without_rowid;
    const struct field *fields;
    size_t field_count;
};

void logbook_accounts_table(struct logbook_table *ret_table);
void logbook_spec_table(const struct kind *kind,
                        struct logbook_table *ret_table);
void logbook_outcome_table(const struct kind *kind,
                           struct logbook_table *ret_table);
void logbook_series_table(const struct kind *kind, const struct series *series,
                          struct logbook_table *ret_table);

/* Of all kinds: readings, by exchange and end. */
void logbook_readings_table(struct logbook_table *ret_table);

/* Make what is missing: tables, and columns of fields that are new.  A column
 * whose type has changed is refused. */
int logbook_prepare_tables(sqlite3 *database, struct fault *fault);

/* An INSERT of one row, its keys bound by the caller as parameters 1 to
 * key_count.  The caller finalizes it. */
int logbook_prepare_insert(sqlite3 *database, const struct logbook_table *table,
                           sqlite3_stmt **ret_insert, struct fault *fault);
/* Bind the record's fields, insert, and make ready for the next row. */
int logbook_insert(sqlite3_stmt *insert, const struct logbook_table *table,
                   const void *record, struct fault *fault);

/* A statement from SQL text; the caller finalizes it. */
int logbook_prepare(sqlite3 *database, const char *sql,
                    sqlite3_stmt **ret_statement, struct fault *fault);

/* What SQLite says, as a fault a person can act on. */
int logbook_fault(sqlite3 *database, const char *doing, struct fault *fault);

#endif
