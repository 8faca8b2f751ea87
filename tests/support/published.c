/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define CELLS_MAX 8

static FILE *open_data(const char *file)
{
    char path[512];

    (void) snprintf(path, sizeof(path), "%s/data/%s", TEST_FOLDER, file);
    FILE *in = fopen(path, "r");

    if (!in)
        fail_msg("cannot open %s", path);
    return in;
}

/* Where a quoted cell ends: a quote that is not doubled. */
static char *closing_quote(char *text)
{
    char *quote = strchr(text, '"');

    while (quote && quote[1] == '"')
        quote = strchr(quote + 2, '"');
    return quote;
}

/* Cut a line of RFC 4180 in place; doubled quotes are left as they are. */
static int cut(char *line, char *cells[CELLS_MAX])
{
    int count = 0;

    line[strcspn(line, "\r\n")] = '\0';
    while (count < CELLS_MAX) {
        const bool is_quoted = *line == '"';

        cells[count++] = is_quoted ? line + 1 : line;
        char *end = is_quoted ? closing_quote(line + 1) : line;

        if (is_quoted && end)
            *end++ = '\0';
        end = end ? strchr(end, ',') : NULL;
        if (!end)
            break;
        *end = '\0';
        line = end + 1;
    }
    return count;
}

/* A row of expected.csv; the value as it stands there. */
struct published_row {
    char text[256];
    double tolerance;
    char source[256];
};

/* Without such a row the test fails. */
static struct published_row row_of(const char *name, const char *quantity)
{
    FILE *in = open_data("expected.csv");
    struct published_row row = { .tolerance = 0 };
    char line[1024];
    char *cells[CELLS_MAX];
    bool is_found = false;

    while (!is_found && fgets(line, sizeof(line), in)) {
        if (cut(line, cells) != 7 || strcmp(cells[1], name) != 0
            || strcmp(cells[3], quantity) != 0)
            continue;
        (void) snprintf(row.text, sizeof(row.text), "%s", cells[4]);
        row.tolerance = strtod(cells[5], NULL);
        (void) snprintf(row.source, sizeof(row.source), "%s", cells[6]);
        is_found = true;
    }
    (void) fclose(in);
    if (!is_found)
        fail_msg("no published value of %s, %s", name, quantity);
    return row;
}

double published_value(const char *name, const char *quantity)
{
    const struct published_row row = row_of(name, quantity);

    return strtod(row.text, NULL);
}

void published_check(const char *name, const char *quantity, double value)
{
    const struct published_row row = row_of(name, quantity);
    const double expected = strtod(row.text, NULL);
    const double allowed =
        expected != 0 ? row.tolerance * fabs(expected) : 1e-12;
    const bool is_right =
        isinf(expected) ? value == expected : fabs(value - expected) <= allowed;

    if (!is_right)
        fail_msg("%s, %s: found %.15g, expected %.15g (%s)", name, quantity,
                 value, expected, row.source);
}

static void add_value(struct values *values, double value)
{
    values->items =
        realloc(values->items, (values->count + 1) * sizeof(*values->items));
    assert_non_null(values->items);
    values->items[values->count++] = value;
}

struct values published_list(const char *name, const char *quantity)
{
    struct values values = { NULL, 0 };
    const struct published_row row = row_of(name, quantity);

    for (const char *at = row.text; *at;) {
        char *end;

        add_value(&values, strtod(at, &end));
        if (end == at)
            fail_msg("%s, %s: found '%s', expected numbers", name, quantity,
                     at);
        at = end + strspn(end, ", ");
    }
    return values;
}

struct values published_column_where(const char *file, int column,
                                     int where_column, const char *text)
{
    struct values values = { NULL, 0 };
    FILE *in = open_data(file);
    char line[1024];
    char *cells[CELLS_MAX];
    bool has_heading = false;

    while (fgets(line, sizeof(line), in)) {
        if (line[0] == '#')
            continue;
        const int count = cut(line, cells);

        if (!has_heading)
            has_heading = true;
        else if (count > column
                 && (!text || strcmp(cells[where_column], text) == 0))
            add_value(&values, cells[column][0] ? strtod(cells[column], NULL)
                                                : (double) INFINITY);
    }
    (void) fclose(in);
    assert_true(values.count > 0);
    return values;
}

struct values published_column(const char *file, int column)
{
    return published_column_where(file, column, 0, NULL);
}

/* The number at that place of a line; NaN: there is none. */
static double number_at(const char *line, int column)
{
    double value = (double) NAN;

    for (int i = 0; i <= column; i++) {
        char *end;

        value = strtod(line, &end);
        if (end == line)
            return (double) NAN;
        line = end;
    }
    return value;
}

struct values published_lines_column(const char *file, int first_line,
                                     int column, double least)
{
    struct values values = { NULL, 0 };
    FILE *in = open_data(file);
    char line[1024];

    for (int number = 1; fgets(line, sizeof(line), in); number++) {
        const double value = number_at(line, column);

        if (number >= first_line && value >= least)
            add_value(&values, value);
    }
    (void) fclose(in);
    assert_true(values.count > 0);
    return values;
}

struct values published_lines(const char *file, int first_line)
{
    return published_lines_column(file, first_line, 0, -(double) INFINITY);
}

void values_clear(struct values *values)
{
    free(values->items);
    *values = (struct values){ NULL, 0 };
}
