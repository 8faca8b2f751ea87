/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TSV_H
#define REPORTS_TSV_H

#include <bothends/fault.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

/*
 * A table as text: lines of values with a tab between, the first one names the
 * columns.  Columns are asked for by name, so that new ones do no harm.
 */
#define TSV_COLUMNS_MAX 16

struct tsv {
    FILE *file;
    char path[4200];
    char *line; /* owned */
    size_t line_room, line_number;
    size_t column_count;
    size_t places[TSV_COLUMNS_MAX]; /* of the wanted columns, in the line */
    const char *values[TSV_COLUMNS_MAX]; /* of the line just read */
};

/* All wanted columns must be there. */
int tsv_open(struct tsv *tsv, const char *folder, const char *name,
             const char *const *columns, size_t column_count,
             struct fault *fault);
/* 1: values holds the next line's, until the next call; 0: there is none; or a
 * negative code. */
int tsv_next(struct tsv *tsv, struct fault *fault);
/* A whole number among the values. */
int tsv_whole(const struct tsv *tsv, size_t column, uint64_t *ret_value,
              struct fault *fault);
void tsv_close(struct tsv *tsv);

#endif
