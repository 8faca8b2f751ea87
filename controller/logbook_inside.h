/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_LOGBOOK_INSIDE_H
#define CONTROLLER_LOGBOOK_INSIDE_H

#include "controller/logbook.h"
#include "controller/logbook_tables.h"

/*
 * What the logbook's parts share: logbook.c (the file and its statements),
 * logbook_runs.c (runs), logbook_store.c (groups, late accounts),
 * logbook_read.c.
 */
struct logbook {
    sqlite3 *database;
    bool is_together; /* between logbook_begin() and logbook_finish() */
    char path[4096];
};

/* doing: for the fault's text. */
int logbook_run_sql(struct logbook *logbook, const char *sql, const char *doing,
                    struct fault *fault);
/* The first column of the one row that the query gives. */
int logbook_read_number(struct logbook *logbook, const char *sql,
                        int64_t *ret_number, struct fault *fault);
/* text is borrowed until the statement is through; NULL counts as "". */
void logbook_bind_text(sqlite3_stmt *statement, int index, const char *text);
void logbook_bind_number(sqlite3_stmt *statement, int index, uint64_t number);
/* Run a statement that gives no rows, and be done with it. */
int logbook_write(struct logbook *logbook, sqlite3_stmt *statement,
                  struct fault *fault);

#endif
