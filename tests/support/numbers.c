/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/numbers_inside.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void numbers_object(struct checking *checking, const char *what,
                    const char *text)
{
    if (!checking->objection[0])
        (void) snprintf(checking->objection, sizeof(checking->objection),
                        "%s: '%.300s' (%.60s, %.60s > %.60s)", what, text,
                        checking->step, checking->from, checking->to);
}

/* --- cells ---------------------------------------------------------------- */

/* Without the escapes that keep it from acting as markdown. */
size_t numbers_unescape(const char *text, size_t length, char *ret_text,
                        size_t size)
{
    size_t used = 0;

    for (size_t i = 0; i < length && used + 1 < size; i++) {
        if (text[i] == '\\' && i + 1 < length)
            i++;
        ret_text[used++] = text[i];
    }
    while (used && ret_text[used - 1] == ' ')
        used--;
    ret_text[used] = '\0';
    return used;
}

static size_t split(const char *line, char cells[CELLS_MOST][CELL_SIZE])
{
    size_t count = 0;
    const char *at = line + 1;

    while (*at && *at != '\n' && count < CELLS_MOST) {
        const char *end = at;

        while (*end && *end != '\n' && *end != '|')
            end += *end == '\\' && end[1] ? 2 : 1;
        if (*end != '|')
            return count;
        at += strspn(at, " ");
        (void) numbers_unescape(at, (size_t) (end - at), cells[count++],
                                CELL_SIZE);
        at = end + 1;
    }
    return count;
}

/* "quay → mill, beside 6 × ping" */
void numbers_split_way(const char *way, char from[CELL_SIZE],
                       char to[CELL_SIZE])
{
    static const char arrow[] = " → ";
    const char *found = strstr(way, arrow);

    from[0] = to[0] = '\0';
    if (!found)
        return;
    (void) snprintf(from, CELL_SIZE, "%.*s", (int) (found - way), way);
    found += strlen(arrow);
    (void) snprintf(to, CELL_SIZE, "%.*s", (int) strcspn(found, ",( :"), found);
}

/* --- the whole ------------------------------------------------------------ */

static void check_text(struct checking *checking, const char *text)
{
    const char *before = "";
    bool is_table = false;

    for (const char *line = text; *line;) {
        const size_t length = strcspn(line, "\n");

        if (length > 2 && strspn(line, "|-: ") >= length) {
            checking->head_count = split(before, checking->heads);
            is_table = true;
        } else if (*line == '|' && is_table) {
            checking->cell_count = split(line, checking->cells);
            numbers_check_row(checking);
        } else {
            is_table = false;
            numbers_check_sentence(checking, line);
        }
        before = line;
        line += length + (line[length] == '\n');
    }
}

void numbers_check(const char *text, const json_t *findings,
                   struct numbers_found *ret_found)
{
    struct checking *checking = calloc(1, sizeof(*checking));

    if (!checking)
        abort();
    checking->findings = findings;
    check_text(checking, text);
    ret_found->checked_count = checking->checked_count;
    (void) snprintf(ret_found->objection, sizeof(ret_found->objection), "%s",
                    checking->objection);
    free(checking);
}
