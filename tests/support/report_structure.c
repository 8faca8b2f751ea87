/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/report_structure.h"

#include <cmark.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

char *report_read(const char *folder, const char *name)
{
    char path[1024];
    struct stat facts;

    (void) snprintf(path, sizeof(path), "%s/%s", folder, name);
    FILE *in = fopen(path, "r");

    if (!in || fstat(fileno(in), &facts) != 0) {
        (void) fprintf(stderr, "no file %s\n", path);
        abort();
    }
    char *text = calloc(1, (size_t) facts.st_size + 1);

    if (!text
        || fread(text, 1, (size_t) facts.st_size, in) != (size_t) facts.st_size)
        abort();
    (void) fclose(in);
    return text;
}

/* --- lines and cells ------------------------------------------------------ */

static size_t line_length(const char *line)
{
    return strcspn(line, "\n");
}

static const char *next_line(const char *line)
{
    line += line_length(line);
    return *line ? line + 1 : line;
}

static bool is_rule(const char *line)
{
    const size_t length = line_length(line);

    return length > 2 && line[0] == '|' && strspn(line, "|-: ") >= length;
}

/* Bars that are not escaped. */
static size_t count_bars(const char *line)
{
    size_t count = 0;

    for (const char *at = line; *at && *at != '\n'; at++) {
        if (*at == '\\' && at[1])
            at++;
        else
            count += *at == '|';
    }
    return count;
}

static size_t count_rows(const char *rule)
{
    size_t count = 0;

    for (const char *line = next_line(rule); *line == '|';
         line = next_line(line))
        count++;
    return count;
}

char *report_structure(const char *markdown)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    const char *before = "";

    for (const char *line = markdown; *line; line = next_line(line)) {
        const int length = (int) line_length(line);

        if (*line == '#')
            (void) fprintf(out, "%.*s\n", length, line);
        else if (is_rule(line))
            (void) fprintf(out, "table %.*s %zu rows\n",
                           (int) line_length(before), before, count_rows(line));
        else if (strncmp(line, "![", 2) == 0) {
            const char *target = strstr(line, "](");

            if (target && target < line + length)
                (void) fprintf(out, "chart %.*s\n",
                               (int) strcspn(target + 2, ")"), target + 2);
        }
        before = line;
    }
    (void) fclose(out);
    return text;
}

/* --- what is broken ------------------------------------------------------- */

static void object_to_tables(const char *markdown, char *text, size_t size)
{
    const char *before = "";

    for (const char *line = markdown; *line; line = next_line(line)) {
        if (is_rule(line) && count_bars(before) != count_bars(line))
            (void) snprintf(text, size, "a table's head does not fit: %.*s",
                            (int) line_length(before), before);
        if (*line == '|' && (*before == '|')
            && count_bars(before) != count_bars(line))
            (void) snprintf(text, size, "a row does not fit: %.*s",
                            (int) line_length(line), line);
        before = line;
    }
}

static void object_to_node(cmark_node *node, const char *folder, char *text,
                           size_t size)
{
    const char *url;
    char path[1024];

    switch (cmark_node_get_type(node)) {
    case CMARK_NODE_HTML_BLOCK:
    case CMARK_NODE_HTML_INLINE:
    case CMARK_NODE_CODE_BLOCK:
        (void) snprintf(text, size, "%s: %.200s",
                        cmark_node_get_type_string(node),
                        cmark_node_get_literal(node));
        return;
    case CMARK_NODE_LINK:
        (void) snprintf(text, size, "a link to %.200s",
                        cmark_node_get_url(node));
        return;
    case CMARK_NODE_IMAGE:
        url = cmark_node_get_url(node);
        (void) snprintf(path, sizeof(path), "%s/%s", folder, url);
        struct stat facts;

        if (strncmp(url, "charts/", 7) != 0 || stat(path, &facts) != 0
            || facts.st_size == 0)
            (void) snprintf(text, size, "no picture %.200s", url);
        if (!cmark_node_first_child(node))
            (void) snprintf(text, size, "no words for %.200s", url);
        return;
    default:
        return;
    }
}

void report_objection(const char *markdown, const char *folder, char *ret_text,
                      size_t size)
{
    cmark_node *document =
        cmark_parse_document(markdown, strlen(markdown), CMARK_OPT_DEFAULT);
    cmark_iter *walk = cmark_iter_new(document);

    ret_text[0] = '\0';
    while (cmark_iter_next(walk) != CMARK_EVENT_DONE)
        object_to_node(cmark_iter_get_node(walk), folder, ret_text, size);
    object_to_tables(markdown, ret_text, size);
    cmark_iter_free(walk);
    cmark_node_free(document);
}
