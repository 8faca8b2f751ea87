/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_PUBLISHED_H
#define SUPPORT_PUBLISHED_H

#include <stdbool.h>
#include <stddef.h>

/*
 * Published values: rows of tests/reference/data/expected.csv (section, case,
 * input, quantity, expected, rel_tol, source) and the data they are about.
 */

/* Hold a value against the row of that case and quantity; a missing row or a
 * value off by more than its tolerance fails the test and names the source. */
void published_check(const char *name, const char *quantity, double value);

/* The number in that row, for what is an input elsewhere. */
double published_value(const char *name, const char *quantity);

struct values {
    double *items;
    size_t count;
};

/* All numbers in that row, apart by blanks or commas. */
struct values published_list(const char *name, const char *quantity);

/* Numbers of a column (from 0) of a CSV file of the data folder; an empty cell
 * is infinite (a lost probe). */
struct values published_column(const char *file, int column);
/* One number a line from that line (from 1) on: NIST's files. */
struct values published_lines(const char *file, int first_line);
/* The same of a column (from 0) of numbers apart by blanks; what is below least
 * stands for "no value" there and is left out. */
struct values published_lines_column(const char *file, int first_line,
                                     int column, double least);
/* Rows of a column where another one holds that text. */
struct values published_column_where(const char *file, int column,
                                     int where_column, const char *text);
void values_clear(struct values *values);

#endif
