/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/columns.h"

#include "agent/wire/cell.h"
#include "agent/wire/codec.h"

#include <string.h>
#include <uv.h>

/* A column of JSON on its way into the rows from first on. */
struct reading {
    const struct series *series;
    const struct field *field;
    const json_t *json;
    struct rows *rows;
    size_t first, count;
    struct fault *fault;
};

static int wrong(const struct reading *reading, size_t row,
                 const char *expected)
{
    return fault_set(reading->fault, UV_EINVAL,
                     "series.%s.%s: row %zu of %zu: expected %s",
                     reading->series->name, reading->field->name, row,
                     reading->count, expected);
}

static bool is_choice(const struct field *field, int64_t number)
{
    for (int64_t i = 0; field->choices[i]; i++) {
        if (i == number)
            return true;
    }
    return false;
}

static bool write_cell(const struct field *field, int64_t number, void *row)
{
    void *member = field_in(field, row);

    if (field->shape == FIELD_CHOICE) {
        if (!is_choice(field, number))
            return false;
        *(int *) member = (int) number;
    } else if (field->shape == FIELD_FLAG) {
        if (number != 0 && number != 1)
            return false;
        *(bool *) member = number == 1;
    } else {
        if (field->shape == FIELD_WHOLE && number < 0)
            return false;
        *(int64_t *) member = number;
    }
    return true;
}

static int find_named_over(const struct reading *reading,
                           const struct field **ret_over)
{
    const json_t *json = json_object_get(reading->json, "over");
    const char *name = json_string_value(json);
    const struct field *fields = reading->series->fields;

    *ret_over = NULL;
    if (!json)
        return 0;
    for (const struct field *over = fields; name && over < reading->field;
         over++) {
        if (strcmp(over->name, name) == 0 && cell_is_whole(over->shape)) {
            *ret_over = over;
            return 0;
        }
    }
    return wrong(reading, 0, "over to name an earlier whole-number column");
}

static int decode_wholes(const struct reading *reading)
{
    const json_t *differences = json_object_get(reading->json, "differences");
    const json_t *unit_json = json_object_get(reading->json, "unit");
    const int64_t unit = unit_json ? json_integer_value(unit_json) : 1;
    const struct field *over = NULL;
    int64_t sum = 0;
    const int code = find_named_over(reading, &over);

    if (code)
        return code;
    if (unit < 1 || json_array_size(differences) != reading->count)
        return wrong(reading, 0, "differences, one a row, and a unit from 1");
    for (size_t i = 0; i < reading->count; i++) {
        void *row = rows_at(reading->rows, reading->first + i);
        const json_t *json = json_array_get(differences, i);
        int64_t value = 0;

        if (!json_is_integer(json)
            || __builtin_add_overflow(sum, json_integer_value(json), &sum)
            || __builtin_mul_overflow(sum, unit, &value)
            || (over
                && __builtin_add_overflow(value, cell_read(over, row), &value))
            || !write_cell(reading->field, value, row))
            return wrong(reading, i, "a number that the column can hold");
    }
    return 0;
}

static int decode_values(const struct reading *reading)
{
    char where[120];

    if (json_array_size(reading->json) != reading->count)
        return wrong(reading, 0, "a list, one value a row");
    (void) snprintf(where, sizeof(where), "series.%s.%s", reading->series->name,
                    reading->field->name);
    for (size_t i = 0; i < reading->count; i++) {
        const int code = codec_decode_value(
            reading->field, json_array_get(reading->json, i), where,
            rows_at(reading->rows, reading->first + i), reading->fault);

        if (code)
            return code;
    }
    return 0;
}

/* Rows are made only once a column shows that so many were sent: a stated
 * count alone would be a cheap way to fill our memory. */
static int count_rows(const struct series *series, const json_t *json,
                      const json_t *columns, size_t *ret_count,
                      struct fault *fault)
{
    const json_t *rows_json = json_object_get(json, "rows");
    const json_int_t stated = json_integer_value(rows_json);
    const json_t *first = json_object_get(columns, series->fields[0].name);

    if (json_is_object(first))
        first = json_object_get(first, "differences");
    if (!json_is_integer(rows_json) || stated < 0)
        return fault_set(fault, UV_EINVAL,
                         "series.%s.rows: expected a whole number",
                         series->name);
    if (stated > COLUMNS_ROWS_MAX)
        return fault_set(fault, UV_E2BIG,
                         "series.%s.rows: found %lld, expected at most %d",
                         series->name, (long long) stated, COLUMNS_ROWS_MAX);
    if (json_array_size(first) != (size_t) stated)
        return fault_set(fault, UV_EINVAL,
                         "series.%s.%s: found %zu values, expected %lld",
                         series->name, series->fields[0].name,
                         json_array_size(first), (long long) stated);
    *ret_count = (size_t) stated;
    return 0;
}

int columns_decode(const struct series *series, const json_t *json,
                   struct rows *rows, struct fault *fault)
{
    const json_t *columns = json_object_get(json, "columns");
    struct reading reading = {
        .series = series, .rows = rows, .first = rows->count, .fault = fault
    };
    int code = count_rows(series, json, columns, &reading.count, fault);

    for (size_t i = 0; !code && i < reading.count; i++)
        (void) rows_add(rows);
    for (size_t i = 0; !code && i < series->field_count; i++) {
        reading.field = &series->fields[i];
        reading.json = json_object_get(columns, reading.field->name);
        if (cell_is_whole(reading.field->shape))
            code = reading.json ? decode_wholes(&reading) : 0;
        else
            code = decode_values(&reading);
    }
    return code;
}
