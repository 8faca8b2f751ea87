/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/columns.h"

#include "agent/wire/cell.h"
#include "agent/wire/codec.h"

#include <stdlib.h>
#include <string.h>
#include <uv.h>

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
        column->numbers[i] = cell_read(field, rows_at(rows, i));
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
                                   cell_read(over, rows_at(rows, i)),
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

        code = cell_is_whole(field->shape)
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
