/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/columns.h"

#include <stdint.h>
#include <string.h>
#include <uv.h>

/* Every shape but text travels as an integer or a number per row. */
static bool is_integer_shape(enum field_shape shape)
{
    return shape == FIELD_WHOLE || shape == FIELD_SIGNED
           || shape == FIELD_CHOICE || shape == FIELD_FLAG;
}

/* --- encoding
 * ------------------------------------------------------------------ */

static int read_cell(const struct field *field, const void *row,
                     int64_t *ret_value, struct fault *fault)
{
    const void *value = field_of(field, row);

    switch (field->shape) {
    case FIELD_WHOLE:
        if (*(const uint64_t *) value > INT64_MAX)
            return fault_set(fault, UV_ERANGE, "%s: too large for JSON",
                             field->name);
        *ret_value = (int64_t) * (const uint64_t *) value;
        return 0;
    case FIELD_SIGNED:
        *ret_value = *(const int64_t *) value;
        return 0;
    case FIELD_CHOICE:
        *ret_value = *(const int *) value;
        return 0;
    case FIELD_FLAG:
        *ret_value = *(const bool *) value ? 1 : 0;
        return 0;
    case FIELD_REAL:
    case FIELD_RANGE:
    case FIELD_SPREAD:
    case FIELD_TEXT:
        break;
    }
    return fault_set(fault, UV_EINVAL, "%s: no whole number", field->name);
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

/* The largest unit that all values are multiples of; 1 when all are 0. */
static int find_unit(const struct field *field, const struct rows *rows,
                     int64_t *ret_unit, struct fault *fault)
{
    uint64_t unit = 0;

    for (size_t i = 0; i < rows->count && unit != 1; i++) {
        int64_t value = 0;
        const int code = read_cell(field, rows_at(rows, i), &value, fault);

        if (code)
            return code;
        unit = common_divisor(unit, magnitude(value));
    }
    *ret_unit = unit && unit <= INT64_MAX ? (int64_t) unit : 1;
    return 0;
}

static int encode_integers(const struct field *field, const struct rows *rows,
                           json_t *column, struct fault *fault)
{
    json_t *differences = json_array();
    int64_t unit = 1, before = 0;
    int code = find_unit(field, rows, &unit, fault);

    (void) json_object_set_new(column, "unit", json_integer(unit));
    (void) json_object_set_new(column, "differences", differences);
    for (size_t i = 0; !code && i < rows->count; i++) {
        int64_t value = 0, difference = 0;

        code = read_cell(field, rows_at(rows, i), &value, fault);
        value /= unit;
        if (!code && __builtin_sub_overflow(value, before, &difference))
            code = fault_set(fault, UV_ERANGE, "%s: too large a difference",
                             field->name);
        before = value;
        (void) json_array_append_new(differences, json_integer(difference));
    }
    return code;
}

static json_t *encode_plain(const struct field *field, const struct rows *rows)
{
    json_t *list = json_array();

    for (size_t i = 0; i < rows->count; i++) {
        const void *value = field_of(field, rows_at(rows, i));

        if (field->shape == FIELD_TEXT)
            (void) json_array_append_new(list, json_string(value));
        else if (isfinite(*(const double *) value))
            (void) json_array_append_new(list,
                                         json_real(*(const double *) value));
        else
            (void) json_array_append_new(list, json_null());
    }
    return list;
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

        if (is_integer_shape(field->shape)) {
            column = json_object();
            code = encode_integers(field, rows, column, fault);
        } else {
            column = encode_plain(field, rows);
        }
        (void) json_object_set_new(columns, field->name, column);
    }
    if (code) {
        json_decref(json);
        return code;
    }
    *ret_json = json;
    return 0;
}

/* --- decoding
 * ------------------------------------------------------------------ */

static int refuse(const struct series *series, const struct field *field,
                  size_t row, const char *expected, struct fault *fault)
{
    return fault_set(fault, UV_EINVAL, "%s.%s: row %zu: expected %s",
                     series->name, field->name, row, expected);
}

static int count_choices(const struct field *field)
{
    int count = 0;

    while (field->choices[count])
        count++;
    return count;
}

static bool write_cell(const struct field *field, int64_t number, void *row)
{
    void *value = field_in(field, row);

    switch (field->shape) {
    case FIELD_WHOLE:
        *(uint64_t *) value = (uint64_t) number;
        return number >= 0;
    case FIELD_SIGNED:
        *(int64_t *) value = number;
        return true;
    case FIELD_CHOICE:
        if (number < 0 || number >= count_choices(field))
            return false;
        *(int *) value = (int) number;
        return true;
    case FIELD_FLAG:
        *(bool *) value = number == 1;
        return number == 0 || number == 1;
    case FIELD_REAL:
    case FIELD_RANGE:
    case FIELD_SPREAD:
    case FIELD_TEXT:
        break;
    }
    return false;
}

static int decode_integers(const struct series *series,
                           const struct field *field, const json_t *column,
                           struct rows *rows, size_t first, size_t count,
                           struct fault *fault)
{
    const json_t *differences = json_object_get(column, "differences");
    const json_t *unit_json = json_object_get(column, "unit");
    const int64_t unit = json_integer_value(unit_json);
    int64_t sum = 0;

    if (unit < 1 || !json_is_array(differences)
        || json_array_size(differences) != count)
        return refuse(series, field, 0,
                      "{\"unit\", \"differences\"}, one a row", fault);
    for (size_t i = 0; i < count; i++) {
        const json_t *json = json_array_get(differences, i);
        int64_t value = 0;

        if (!json_is_integer(json)
            || __builtin_add_overflow(sum, json_integer_value(json), &sum)
            || __builtin_mul_overflow(sum, unit, &value))
            return refuse(series, field, i, "a whole number in range", fault);
        if (!write_cell(field, value, rows_at(rows, first + i)))
            return refuse(series, field, i, "a value that the field can have",
                          fault);
    }
    return 0;
}

static bool decode_cell(const struct field *field, const json_t *json,
                        void *row)
{
    void *value = field_in(field, row);
    const char *text = json_string_value(json);

    if (field->shape == FIELD_REAL) {
        *(double *) value =
            json_is_null(json) ? (double) NAN : json_number_value(json);
        return json_is_null(json) || json_is_number(json);
    }
    if (!text || strlen(text) >= field->size)
        return false;
    (void) snprintf(value, field->size, "%s", text);
    return true;
}

static int decode_plain(const struct series *series, const struct field *field,
                        const json_t *column, struct rows *rows, size_t first,
                        size_t count, struct fault *fault)
{
    if (!json_is_array(column) || json_array_size(column) != count)
        return refuse(series, field, 0, "a list, one value a row", fault);
    for (size_t i = 0; i < count; i++) {
        if (!decode_cell(field, json_array_get(column, i),
                         rows_at(rows, first + i)))
            return refuse(series, field, i, "a value that the field can have",
                          fault);
    }
    return 0;
}

int columns_decode(const struct series *series, const json_t *json,
                   struct rows *rows, struct fault *fault)
{
    const json_t *columns = json_object_get(json, "columns");
    const json_int_t stated = json_integer_value(json_object_get(json, "rows"));
    const size_t first = rows->count;
    int code = 0;

    if (!json_is_object(columns) || stated < 0 || stated > COLUMNS_ROWS_MAX)
        return fault_set(fault, UV_EINVAL,
                         "%s: expected rows (at most %d) and columns",
                         series->name, COLUMNS_ROWS_MAX);
    const size_t count = (size_t) stated;
    for (size_t i = 0; i < series->field_count; i++) {
        /* Held against a column first: a stated count alone makes no rows. */
        const struct field *field = &series->fields[i];
        const json_t *column = json_object_get(columns, field->name);

        if (!column)
            return refuse(series, field, 0, "this column", fault);
    }
    const json_t *witness = json_object_get(columns, series->fields[0].name);
    if (json_is_object(witness))
        witness = json_object_get(witness, "differences");
    if (json_array_size(witness) != count)
        return refuse(series, &series->fields[0], 0, "one value a row", fault);
    for (size_t i = 0; i < count; i++)
        (void) rows_add(rows);
    for (size_t i = 0; !code && i < series->field_count; i++) {
        const struct field *field = &series->fields[i];
        const json_t *column = json_object_get(columns, field->name);

        code = is_integer_shape(field->shape)
                   ? decode_integers(series, field, column, rows, first, count,
                                     fault)
                   : decode_plain(series, field, column, rows, first, count,
                                  fault);
    }
    return code;
}
