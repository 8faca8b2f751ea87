/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/columns.h"

#include "agent/wire/codec.h"

#include <stdint.h>
#include <string.h>
#include <uv.h>

/* These travel as differences; the other shapes as a list of values. */
static bool is_whole_shape(enum field_shape shape)
{
    return shape == FIELD_WHOLE || shape == FIELD_SIGNED
           || shape == FIELD_CHOICE || shape == FIELD_FLAG;
}

static int64_t read_cell(const struct field *field, const void *row)
{
    const void *member = field_of(field, row);

    if (field->shape == FIELD_CHOICE)
        return *(const int *) member;
    if (field->shape == FIELD_FLAG)
        return *(const bool *) member ? 1 : 0;
    return *(const int64_t *) member; /* FIELD_WHOLE was held against it */
}

/* --- encoding ------------------------------------------------------------- */

/* A column on its way: values, then their differences in units. */
struct column {
    int64_t *numbers;
    size_t count;
    int64_t unit;
    size_t text_bytes; /* what the differences take, about */
};

static int read_column(const struct field *field, const struct rows *rows,
                       struct column *column, struct fault *fault)
{
    for (size_t i = 0; i < rows->count; i++) {
        column->numbers[i] = read_cell(field, rows_at(rows, i));
        if (field->shape == FIELD_WHOLE && column->numbers[i] < 0)
            return fault_set(fault, UV_ERANGE,
                             "%s: found more than 2^63 - 1 in row %zu",
                             field->name, i);
    }
    return 0;
}

static uint64_t magnitude(int64_t value)
{
    return value < 0 ? -(uint64_t) value : (uint64_t) value;
}

static uint64_t common_divisor(uint64_t a, uint64_t b)
{
    while (b) {
        const uint64_t rest = a % b;

        a = b;
        b = rest;
    }
    return a;
}

/* The largest number that all values are multiples of; 1 when all are 0. */
static int64_t find_unit(const struct column *column)
{
    uint64_t unit = 0;

    for (size_t i = 0; i < column->count && unit != 1; i++)
        unit = common_divisor(unit, magnitude(column->numbers[i]));
    return unit && unit <= INT64_MAX ? (int64_t) unit : 1;
}

static size_t text_bytes_of(int64_t number)
{
    size_t bytes = number < 0 ? 3 : 2; /* a digit, a comma, a sign */

    for (uint64_t rest = magnitude(number); rest >= 10; rest /= 10)
        bytes++;
    return bytes;
}

static bool subtract_column(struct column *column, const struct field *over,
                            const struct rows *rows)
{
    for (size_t i = 0; i < column->count; i++) {
        if (__builtin_sub_overflow(column->numbers[i],
                                   read_cell(over, rows_at(rows, i)),
                                   &column->numbers[i]))
            return false;
    }
    return true;
}

static bool take_differences(struct column *column)
{
    int64_t before = 0;

    column->unit = find_unit(column);
    column->text_bytes = 0;
    for (size_t i = 0; i < column->count; i++) {
        const int64_t value = column->numbers[i] / column->unit;

        if (__builtin_sub_overflow(value, before, &column->numbers[i]))
            return false;
        before = value;
        column->text_bytes += text_bytes_of(column->numbers[i]);
    }
    return true;
}

/* The nearest column before this one that counts the same. */
static const struct field *find_over(const struct series *series,
                                     const struct field *field)
{
    for (const struct field *over = field; over-- > series->fields;) {
        if (over->shape == field->shape && over->unit == field->unit)
            return over;
    }
    return NULL;
}

static bool is_zero(const struct column *column)
{
    for (size_t i = 0; i < column->count; i++) {
        if (column->numbers[i])
            return false;
    }
    return true;
}

static json_t *write_column(const struct column *column,
                            const struct field *over)
{
    json_t *differences = json_array();
    json_t *json = json_pack("{s:o}", "differences", differences);

    for (size_t i = 0; i < column->count; i++)
        (void) json_array_append_new(differences,
                                     json_integer(column->numbers[i]));
    if (column->unit != 1)
        (void) json_object_set_new(json, "unit", json_integer(column->unit));
    if (over)
        (void) json_object_set_new(json, "over", json_string(over->name));
    return json;
}

/* *ret_json stays NULL where a column of zeros may be left out. */
static int encode_with_room(const struct series *series,
                            const struct field *field, const struct rows *rows,
                            struct column *plain, struct column *less,
                            json_t **ret_json, struct fault *fault)
{
    const struct field *over = find_over(series, field);
    const int code = read_column(field, rows, plain, fault);

    if (code)
        return code;
    if (field != series->fields && is_zero(plain))
        return 0;
    if (over) {
        memcpy(less->numbers, plain->numbers,
               plain->count * sizeof(*plain->numbers));
        if (!subtract_column(less, over, rows) || !take_differences(less))
            over = NULL;
    }
    if (!take_differences(plain))
        return fault_set(fault, UV_ERANGE, "%s: found too large a difference",
                         field->name);
    if (over && less->text_bytes < plain->text_bytes)
        *ret_json = write_column(less, over);
    else
        *ret_json = write_column(plain, NULL);
    return 0;
}

static int encode_wholes(const struct series *series, const struct field *field,
                         const struct rows *rows, json_t **ret_json,
                         struct fault *fault)
{
    int64_t *room = calloc(2 * rows->count + 1, sizeof(*room));
    struct column plain = { .numbers = room, .count = rows->count };
    struct column less = { .numbers = room ? room + rows->count : NULL,
                           .count = rows->count };
    const int code = room ? encode_with_room(series, field, rows, &plain, &less,
                                             ret_json, fault)
                          : fault_set(fault, UV_ENOMEM, "out of memory");

    free(room);
    return code;
}

static int encode_values(const struct field *field, const struct rows *rows,
                         json_t **ret_json, struct fault *fault)
{
    json_t *list = json_array();

    for (size_t i = 0; i < rows->count; i++) {
        json_t *value = codec_encode_value(field, rows_at(rows, i), fault);

        if (!value) {
            json_decref(list);
            return fault_set(fault, UV_ERANGE, "%s: can't be written as JSON",
                             field->name);
        }
        (void) json_array_append_new(list, value);
    }
    *ret_json = list;
    return 0;
}

int columns_encode(const struct series *series, const struct rows *rows,
                   json_t **ret_json, struct fault *fault)
{
    json_t *columns = json_object();
    json_t *json = json_pack("{s:I, s:o}", "rows", (json_int_t) rows->count,
                             "columns", columns);
    int code = json ? 0 : fault_set(fault, UV_ENOMEM, "out of memory");

    for (size_t i = 0; !code && i < series->field_count; i++) {
        const struct field *field = &series->fields[i];
        json_t *column = NULL;

        code = is_whole_shape(field->shape)
                   ? encode_wholes(series, field, rows, &column, fault)
                   : encode_values(field, rows, &column, fault);
        if (column)
            (void) json_object_set_new(columns, field->name, column);
    }
    if (code) {
        json_decref(json);
        return code;
    }
    *ret_json = json;
    return 0;
}

/* --- decoding ------------------------------------------------------------- */

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
        if (strcmp(over->name, name) == 0 && is_whole_shape(over->shape)) {
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
                && __builtin_add_overflow(value, read_cell(over, row), &value))
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
        if (is_whole_shape(reading.field->shape))
            code = reading.json ? decode_wholes(&reading) : 0;
        else
            code = decode_values(&reading);
    }
    return code;
}
