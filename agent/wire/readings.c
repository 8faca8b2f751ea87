/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/readings.h"

#include <bothends/characters.h>
#include <stdlib.h>
#include <uv.h>

static const char name_letters[] = "abcdefghijklmnopqrstuvwxyz0123456789_";
static const char number_letters[] = "0123456789+-.eE";

/* The number that the whole text is; NaN: it is none. */
static double number_in(const char *text)
{
    char *end = NULL;

    if (!text[0] || text[strspn(text, number_letters)])
        return (double) NAN;
    const double value = strtod(text, &end);
    return *end || !isfinite(value) ? (double) NAN : value;
}

static bool is_blank(char byte)
{
    return byte == ' ' || byte == '\t' || byte == '\r';
}

static void trim(const char **text, size_t *bytes)
{
    while (*bytes && is_blank((*text)[0])) {
        (*text)++;
        (*bytes)--;
    }
    while (*bytes && is_blank((*text)[*bytes - 1]))
        (*bytes)--;
}

/* How much of a line a mistake shows. */
static int shown(size_t bytes)
{
    return bytes < 40 ? (int) bytes : 40;
}

static int wrong(const char *line, size_t line_bytes, const char *expected,
                 struct fault *fault)
{
    char found[64];

    (void) snprintf(found, sizeof(found), "%.*s", shown(line_bytes), line);
    return fault_set(fault, UV_EINVAL, "found '%s', expected %s",
                     text_is_clean(found) ? found : "what can't be shown",
                     expected);
}

int readings_parse_line(const char *line, size_t line_bytes,
                        struct radio_reading *ret_reading, struct fault *fault)
{
    struct radio_reading reading = { .value = (double) NAN };

    trim(&line, &line_bytes);
    const char *equals = memchr(line, '=', line_bytes);
    if (!equals)
        return wrong(line, line_bytes, "name=value", fault);
    const char *name = line;
    size_t name_bytes = (size_t) (equals - line);
    const char *text = equals + 1;
    size_t text_bytes = line_bytes - name_bytes - 1;
    trim(&name, &name_bytes);
    trim(&text, &text_bytes);
    if (name_bytes >= sizeof(reading.name))
        return wrong(line, line_bytes, "a name of 1 to 24 letters before '='",
                     fault);
    memcpy(reading.name, name, name_bytes);
    if (!name_bytes || strspn(reading.name, name_letters) != name_bytes)
        return wrong(line, line_bytes,
                     "a name of 1 to 24 of a-z, 0-9 and _ before '='", fault);
    if (!text_bytes || text_bytes >= sizeof(reading.text)
        || memchr(text, '\0', text_bytes))
        return wrong(line, line_bytes,
                     "a value of 1 to 48 printable bytes after '='", fault);
    memcpy(reading.text, text, text_bytes);
    if (!text_is_clean(reading.text))
        return wrong(line, line_bytes,
                     "a value of 1 to 48 printable bytes after '='", fault);
    reading.value = number_in(reading.text);
    *ret_reading = reading;
    return 0;
}

/* Among those from the row 'first' on. */
static bool has_name(const struct rows *readings, size_t first,
                     const char *name)
{
    for (size_t i = first; i < readings->count; i++) {
        const struct radio_reading *reading = rows_at(readings, i);

        if (strcmp(reading->name, name) == 0)
            return true;
    }
    return false;
}

static int add_line(const char *line, size_t line_bytes, size_t first,
                    struct radio_reading *reading, struct rows *readings,
                    struct fault *fault)
{
    const int result = readings_parse_line(line, line_bytes, reading, fault);

    if (result < 0)
        return result;
    if (has_name(readings, first, reading->name))
        return fault_set(fault, UV_EINVAL,
                         "found '%s' twice, expected each name once",
                         reading->name);
    if (readings->count - first >= READINGS_MOST)
        return fault_set(fault, UV_E2BIG,
                         "found more than %d readings, expected at most as "
                         "many",
                         READINGS_MOST);
    *(struct radio_reading *) rows_add(readings) = *reading;
    return 0;
}

int readings_parse(const char *text, size_t text_bytes,
                   enum reading_moment moment, enum reading_source source,
                   struct rows *readings, struct fault *fault)
{
    const size_t first = readings->count;
    size_t number = 1;

    for (size_t at = 0; at < text_bytes; number++) {
        const char *line = text + at;
        const char *end = memchr(line, '\n', text_bytes - at);
        size_t line_bytes = end ? (size_t) (end - line) : text_bytes - at;
        struct radio_reading reading;
        struct fault why = { 0 };

        at += line_bytes + 1;
        trim(&line, &line_bytes);
        if (!line_bytes)
            continue;
        if (add_line(line, line_bytes, first, &reading, readings, &why) < 0) {
            readings->count = first;
            return fault_set(fault, why.code, "line %zu: %s", number, why.text);
        }
    }
    for (size_t i = first; i < readings->count; i++) {
        struct radio_reading *reading = rows_at(readings, i);

        reading->moment = (int) moment;
        reading->source = (int) source;
    }
    return 0;
}
