/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/scan.h"

#include <string.h>

#define DEPTH_MAX 12 /* a plan needs 7 */

struct scan {
    struct walk *walk;
    const char *text; /* borrowed */
    size_t text_bytes;
    int depth, documents;
};

/* The reader of the bytes knows an offset only. */
static yaml_mark_t mark_of_offset(const struct scan *scan, size_t offset)
{
    yaml_mark_t mark = { 0, 0, 0 };

    for (size_t i = 0; i < offset && i < scan->text_bytes; i++) {
        mark.column++;
        if (scan->text[i] == '\n') {
            mark.line++;
            mark.column = 0;
        }
    }
    return mark;
}

static bool is_tab_at(const struct scan *scan, const yaml_mark_t *mark)
{
    return mark->index < scan->text_bytes && scan->text[mark->index] == '\t';
}

static void note_syntax(const struct scan *scan, const yaml_parser_t *parser)
{
    const char *problem = parser->problem ? parser->problem : "unreadable text";
    yaml_mark_t mark = parser->problem_mark;
    char found[128], expected[256] = "YAML";

    if (parser->error == YAML_READER_ERROR) {
        mark = mark_of_offset(scan, parser->problem_offset);
        (void) snprintf(expected, sizeof(expected),
                        "UTF-8 text without control characters");
    }
    /* The library's words begin with "found" or "did not find expected". */
    if (is_tab_at(scan, &mark)) {
        (void) snprintf(found, sizeof(found), "a tab");
        (void) snprintf(expected, sizeof(expected), "blanks");
    } else if (strstr(problem, "<document start>")) {
        (void) snprintf(found, sizeof(found), "something else");
        (void) snprintf(expected, sizeof(expected),
                        "a key at the left edge, or the end of the plan");
    } else if (strncmp(problem, "found ", 6) == 0) {
        (void) snprintf(found, sizeof(found), "%s", problem + 6);
    } else if (strncmp(problem, "did not find expected ", 22) == 0) {
        (void) snprintf(found, sizeof(found), "something else");
        (void) snprintf(expected, sizeof(expected), "%s%s",
                        problem[22] == '\'' ? "" : "a ", problem + 22);
    } else {
        (void) snprintf(found, sizeof(found), "%s", problem);
    }
    if (parser->context && !is_tab_at(scan, &mark)) {
        const size_t used = strlen(expected);

        (void) snprintf(expected + used, sizeof(expected) - used,
                        " (%s that began in line %zu)", parser->context,
                        parser->context_mark.line + 1);
    }
    walk_mistake_at(scan->walk, &mark, "", found, expected);
}

static void note(const struct scan *scan, const yaml_event_t *event,
                 const char *found, const char *expected)
{
    walk_mistake_at(scan->walk, &event->start_mark, "", found, expected);
}

static void check_marks(const struct scan *scan, const yaml_event_t *event,
                        const yaml_char_t *anchor, const yaml_char_t *tag)
{
    if (anchor)
        note(scan, event, "an anchor ('&')", "each value written out");
    if (tag)
        note(scan, event, "a tag ('!')", "a plain value");
}

/* False: reading on makes no sense. */
static bool check_depth(struct scan *scan, const yaml_event_t *event)
{
    if (++scan->depth <= DEPTH_MAX)
        return true;
    note(scan, event, "too many levels", "the levels of a plan");
    return false;
}

static bool check_document(struct scan *scan, const yaml_event_t *event)
{
    if (++scan->documents == 1)
        return true;
    note(scan, event, "a second document", "one plan a file");
    return false;
}

static bool check_event(struct scan *scan, const yaml_event_t *event)
{
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        return check_document(scan, event);
    case YAML_ALIAS_EVENT:
        note(scan, event, "an alias ('*')", "each value written out");
        return true;
    case YAML_SCALAR_EVENT:
        check_marks(scan, event, event->data.scalar.anchor,
                    event->data.scalar.tag);
        return true;
    case YAML_SEQUENCE_START_EVENT:
        check_marks(scan, event, event->data.sequence_start.anchor,
                    event->data.sequence_start.tag);
        return check_depth(scan, event);
    case YAML_MAPPING_START_EVENT:
        check_marks(scan, event, event->data.mapping_start.anchor,
                    event->data.mapping_start.tag);
        return check_depth(scan, event);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        scan->depth--;
        return true;
    case YAML_NO_EVENT:
    case YAML_STREAM_START_EVENT:
    case YAML_STREAM_END_EVENT:
    case YAML_DOCUMENT_END_EVENT:
        return true;
    }
    return true;
}

bool plan_scan(struct walk *walk, const char *text, size_t text_bytes)
{
    struct scan scan = { .walk = walk, .text = text, .text_bytes = text_bytes };
    yaml_parser_t parser;
    bool is_readable = true, is_over = false;

    if (!yaml_parser_initialize(&parser)) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&parser, (const unsigned char *) text,
                                 text_bytes);
    while (is_readable && !is_over) {
        yaml_event_t event;

        if (!yaml_parser_parse(&parser, &event)) {
            note_syntax(&scan, &parser);
            is_readable = false;
            break;
        }
        is_readable = check_event(&scan, &event);
        is_over = event.type == YAML_STREAM_END_EVENT;
        yaml_event_delete(&event);
    }
    yaml_parser_delete(&parser);
    if (is_readable && scan.documents == 0) {
        const yaml_mark_t top = { 0, 0, 0 };

        walk_mistake_at(walk, &top, "", "an empty file", "a plan");
        is_readable = false;
    }
    return is_readable;
}
