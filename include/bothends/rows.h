/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_ROWS_H
#define BOTHENDS_ROWS_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * A growing array of equal rows: the samples of one series.
 * rows_clear() frees; a zeroed struct with row_size set is an empty one.
 */
struct rows {
    size_t row_size;
    size_t count, room;
    void *data;
};

/* A fresh zeroed row at the end; ends the program when memory is out. */
static inline void *rows_add(struct rows *rows)
{
    if (rows->count == rows->room) {
        const size_t room = rows->room ? 2 * rows->room : 64;
        void *data = realloc(rows->data, room * rows->row_size);

        if (!data) {
            (void) fputs("out of memory\n", stderr);
            abort();
        }
        rows->data = data;
        rows->room = room;
    }
    void *row = (char *) rows->data + rows->row_size * rows->count++;
    return memset(row, 0, rows->row_size);
}

static inline void *rows_at(const struct rows *rows, size_t index)
{
    return (char *) rows->data + rows->row_size * index;
}

static inline void rows_clear(struct rows *rows)
{
    free(rows->data);
    rows->data = NULL;
    rows->count = rows->room = 0;
}

#endif
