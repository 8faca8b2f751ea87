/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/tsv.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define LINE_FIELDS_MAX 64
#define LINE_SIZE_MAX   65536

/* Cuts the line into its fields; returns their number, at most `most`. */
static size_t cut(char *line, const char *fields[], size_t most)
{
    size_t count = 0;

    line[strcspn(line, "\r\n")] = '\0';
    for (char *at = line; at && count < most;) {
        char *tab = strchr(at, '\t');

        fields[count++] = at;
        if (tab)
            *tab++ = '\0';
        at = tab;
    }
    return count;
}

/* 1, 0 at the end, or a negative code. */
static int read_line(struct tsv *tsv, struct fault *fault)
{
    const ssize_t length = getline(&tsv->line, &tsv->line_room, tsv->file);

    if (length < 0)
        return ferror(tsv->file)
                   ? fault_set(fault, -EIO, "cannot read '%s'", tsv->path)
                   : 0;
    tsv->line_number++;
    if (length >= LINE_SIZE_MAX)
        return fault_set(fault, -E2BIG,
                         "%s:%zu: found a line of %zd bytes, expected fewer "
                         "than %d",
                         tsv->path, tsv->line_number, length, LINE_SIZE_MAX);
    return 1;
}

static int find_columns(struct tsv *tsv, const char *const *columns,
                        struct fault *fault)
{
    const char *headings[LINE_FIELDS_MAX];
    const int status = read_line(tsv, fault);
    const size_t count =
        status > 0 ? cut(tsv->line, headings, LINE_FIELDS_MAX) : 0;

    if (status < 0)
        return status;
    for (size_t i = 0; i < tsv->column_count; i++) {
        size_t place = 0;

        while (place < count && strcmp(headings[place], columns[i]) != 0)
            place++;
        if (place == count)
            return fault_set(fault, -EINVAL,
                             "%s:1: found no column '%s', expected a table of "
                             "the practice link's ledger",
                             tsv->path, columns[i]);
        tsv->places[i] = place;
    }
    return 0;
}

int tsv_open(struct tsv *tsv, const char *folder, const char *name,
             const char *const *columns, size_t column_count,
             struct fault *fault)
{
    *tsv = (struct tsv){ .column_count = column_count };
    if (snprintf(tsv->path, sizeof(tsv->path), "%s/%s", folder, name)
        >= (int) sizeof(tsv->path))
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                         folder);
    tsv->file = fopen(tsv->path, "re");
    if (!tsv->file)
        return fault_set(fault, -errno, "cannot read '%s': %s", tsv->path,
                         strerror(errno));
    const int status = find_columns(tsv, columns, fault);

    if (status)
        tsv_close(tsv);
    return status;
}

int tsv_next(struct tsv *tsv, struct fault *fault)
{
    const char *fields[LINE_FIELDS_MAX];
    const int status = read_line(tsv, fault);

    if (status <= 0)
        return status;
    const size_t count = cut(tsv->line, fields, LINE_FIELDS_MAX);

    for (size_t i = 0; i < tsv->column_count; i++) {
        if (tsv->places[i] >= count)
            return fault_set(fault, -EINVAL,
                             "%s:%zu: found %zu values, expected at least %zu",
                             tsv->path, tsv->line_number, count,
                             tsv->places[i] + 1);
        tsv->values[i] = fields[tsv->places[i]];
    }
    return 1;
}

int tsv_whole(const struct tsv *tsv, size_t column, uint64_t *ret_value,
              struct fault *fault)
{
    const char *text = tsv->values[column];
    char *end;

    errno = 0;
    const unsigned long long value = strtoull(text, &end, 10);

    if (text[0] < '0' || text[0] > '9' || *end || errno)
        return fault_set(fault, -EINVAL,
                         "%s:%zu: found '%.40s', expected a whole number",
                         tsv->path, tsv->line_number, text);
    *ret_value = value;
    return 0;
}

void tsv_close(struct tsv *tsv)
{
    if (tsv->file)
        (void) fclose(tsv->file);
    free(tsv->line);
    tsv->file = NULL;
    tsv->line = NULL;
}
