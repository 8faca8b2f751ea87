/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/codec.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

/* --- encoding
 * ------------------------------------------------------------------ */

/* json: a new reference, or NULL: nothing to say. */
static int encode_whole(const struct field *field, const void *record,
                        json_t **ret_json, struct fault *fault)
{
    const uint64_t value = *(const uint64_t *) field_of(field, record);

    if (value > INT64_MAX)
        return fault_set(fault, UV_ERANGE, "%s: too large for JSON",
                         field->name);
    *ret_json = value ? json_integer((json_int_t) value) : NULL;
    return 0;
}

static json_t *encode_range(const struct range *range)
{
    return range_is_said(*range) ? json_pack("[f, f]", range->low, range->high)
                                 : NULL;
}

static json_t *encode_spread(const struct spread *spread)
{
    return json_pack("{s:s, s:f, s:f, s:f}", "form", spread_forms[spread->form],
                     "mean", spread->mean, "low", spread->low, "high",
                     spread->high);
}

static json_t *encode_real(double value)
{
    if (isinf(value))
        return json_string(value > 0 ? "inf" : "-inf");
    return isnan(value) ? NULL : json_real(value);
}

static json_t *encode_text(const char *text)
{
    return *text ? json_string(text) : NULL;
}

static int encode_field(const struct field *field, const void *record,
                        json_t **ret_json, struct fault *fault)
{
    const void *value = field_of(field, record);

    *ret_json = NULL;
    switch (field->shape) {
    case FIELD_WHOLE:
        return encode_whole(field, record, ret_json, fault);
    case FIELD_SIGNED:
        if (*(const int64_t *) value)
            *ret_json = json_integer(*(const int64_t *) value);
        return 0;
    case FIELD_REAL:
        *ret_json = encode_real(*(const double *) value);
        return 0;
    case FIELD_RANGE:
        *ret_json = encode_range(value);
        return 0;
    case FIELD_SPREAD:
        *ret_json = encode_spread(value);
        return 0;
    case FIELD_CHOICE:
        if (*(const int *) value)
            *ret_json = json_string(field->choices[*(const int *) value]);
        return 0;
    case FIELD_FLAG:
        if (*(const bool *) value)
            *ret_json = json_true();
        return 0;
    case FIELD_TEXT:
        *ret_json = encode_text(value);
        return 0;
    }
    return 0;
}

int codec_encode(const struct field *fields, size_t field_count,
                 const void *record, json_t *object, struct fault *fault)
{
    for (size_t i = 0; i < field_count; i++) {
        json_t *json = NULL;
        const int code = encode_field(&fields[i], record, &json, fault);

        if (code)
            return code;
        if (json && json_object_set_new(object, fields[i].name, json) < 0)
            return fault_set(fault, UV_ENOMEM, "out of memory");
    }
    return 0;
}

/* --- decoding
 * ------------------------------------------------------------------ */

struct place {
    const char *where;
    const struct field *field;
};

static int refuse(const struct place *place, const json_t *found,
                  const char *expected, struct fault *fault)
{
    char *text = json_dumps(found, JSON_ENCODE_ANY | JSON_COMPACT);
    const int code = fault_set(fault, UV_EINVAL,
                               "%s.%s: found %.60s, expected %s", place->where,
                               place->field->name, text ? text : "?", expected);

    free(text);
    return code;
}

static int check_limits(const struct place *place, double value,
                        const json_t *found, struct fault *fault)
{
    const struct field *field = place->field;
    char expected[96];

    /* 0 is "not said" where a least value above 0 stands. */
    if (field->most <= 0 || (value >= field->least && value <= field->most)
        || (value <= 0 && value >= 0))
        return 0;
    (void) snprintf(expected, sizeof(expected), "%g to %g", field->least,
                    field->most);
    return refuse(place, found, expected, fault);
}

static bool read_number(const json_t *json, double *ret_value)
{
    if (!json_is_number(json))
        return false;
    *ret_value = json_number_value(json);
    return isfinite(*ret_value);
}

static int decode_whole(const struct place *place, const json_t *json,
                        uint64_t *value, struct fault *fault)
{
    if (!json_is_integer(json) || json_integer_value(json) < 0)
        return refuse(place, json, "a whole number, not negative", fault);
    *value = (uint64_t) json_integer_value(json);
    return check_limits(place, (double) *value, json, fault);
}

static int decode_signed(const struct place *place, const json_t *json,
                         int64_t *value, struct fault *fault)
{
    if (!json_is_integer(json))
        return refuse(place, json, "a whole number", fault);
    *value = json_integer_value(json);
    return 0;
}

static int decode_real(const struct place *place, const json_t *json,
                       double *value, struct fault *fault)
{
    const char *text = json_string_value(json);

    if (text && strcmp(text, "inf") == 0) {
        *value = (double) INFINITY;
        return 0;
    }
    if (!read_number(json, value))
        return refuse(place, json, "a number", fault);
    return check_limits(place, *value, json, fault);
}

static int decode_range(const struct place *place, const json_t *json,
                        struct range *range, struct fault *fault)
{
    if (!json_is_array(json) || json_array_size(json) != 2
        || !read_number(json_array_get(json, 0), &range->low)
        || !read_number(json_array_get(json, 1), &range->high)
        || range->low > range->high)
        return refuse(place, json, "[low, high]", fault);
    const int code = check_limits(place, range->low, json, fault);
    return code ? code : check_limits(place, range->high, json, fault);
}

static int find_choice(const char *const *choices, const char *word)
{
    for (int i = 0; word && choices[i]; i++) {
        if (strcmp(choices[i], word) == 0)
            return i;
    }
    return -1;
}

static int decode_spread(const struct place *place, const json_t *json,
                         struct spread *spread, struct fault *fault)
{
    const int form = find_choice(
        spread_forms, json_string_value(json_object_get(json, "form")));

    if (form < 0 || json_object_size(json) != 4
        || !read_number(json_object_get(json, "mean"), &spread->mean)
        || !read_number(json_object_get(json, "low"), &spread->low)
        || !read_number(json_object_get(json, "high"), &spread->high)
        || spread->low > spread->high || spread->low < 0 || spread->mean < 0)
        return refuse(place, json, "{\"form\", \"mean\", \"low\", \"high\"}",
                      fault);
    spread->form = (enum spread_form) form;
    const int code = check_limits(place, spread->mean, json, fault);
    return code ? code : check_limits(place, spread->high, json, fault);
}

static int decode_choice(const struct place *place, const json_t *json,
                         int *choice, struct fault *fault)
{
    const int found =
        find_choice(place->field->choices, json_string_value(json));
    char expected[160] = "one of";

    if (found >= 0) {
        *choice = found;
        return 0;
    }
    for (int i = 0; place->field->choices[i]; i++) {
        const size_t length = strlen(expected);

        (void) snprintf(expected + length, sizeof(expected) - length, " '%s'",
                        place->field->choices[i]);
    }
    return refuse(place, json, expected, fault);
}

static int decode_text(const struct place *place, const json_t *json,
                       char *text, struct fault *fault)
{
    const char *found = json_string_value(json);

    if (!found)
        return refuse(place, json, "a text", fault);
    if (strlen(found) >= place->field->size)
        return refuse(place, json, "a shorter text", fault);
    for (const char *at = found; *at; at++) {
        if ((unsigned char) *at < 0x20 || *at == 0x7f)
            return refuse(place, json, "a text without control characters",
                          fault);
    }
    (void) snprintf(text, place->field->size, "%s", found);
    return 0;
}

static int decode_field(const struct place *place, const json_t *json,
                        void *record, struct fault *fault)
{
    void *value = field_in(place->field, record);

    switch (place->field->shape) {
    case FIELD_WHOLE:
        return decode_whole(place, json, value, fault);
    case FIELD_SIGNED:
        return decode_signed(place, json, value, fault);
    case FIELD_REAL:
        return decode_real(place, json, value, fault);
    case FIELD_RANGE:
        return decode_range(place, json, value, fault);
    case FIELD_SPREAD:
        return decode_spread(place, json, value, fault);
    case FIELD_CHOICE:
        return decode_choice(place, json, value, fault);
    case FIELD_FLAG:
        if (!json_is_boolean(json))
            return refuse(place, json, "true or false", fault);
        *(bool *) value = json_is_true(json);
        return 0;
    case FIELD_TEXT:
        return decode_text(place, json, value, fault);
    }
    return 0;
}

/* What a member that is not there says. */
static void leave_unsaid(const struct field *field, void *record)
{
    void *value = field_in(field, record);

    memset(value, 0, field->size);
    if (field->shape == FIELD_RANGE)
        *(struct range *) value = range_unsaid();
    else if (field->shape == FIELD_REAL
             && !(field->preset && strcmp(field->preset, "0") == 0))
        *(double *) value = (double) NAN;
}

static bool is_listed(const char *name, const struct field *fields,
                      size_t field_count, const char *const *also)
{
    for (size_t i = 0; i < field_count; i++) {
        if (strcmp(fields[i].name, name) == 0)
            return true;
    }
    for (size_t i = 0; also && also[i]; i++) {
        if (strcmp(also[i], name) == 0)
            return true;
    }
    return false;
}

static int refuse_unknown(const struct field *fields, size_t field_count,
                          const json_t *object, const char *const *also,
                          const char *where, struct fault *fault)
{
    const char *name;
    const json_t *value;

    /* jansson's iterator takes no const object, and changes nothing. */
    json_object_foreach((json_t *) (uintptr_t) object, name, value)
    {
        if (!is_listed(name, fields, field_count, also))
            return fault_set(fault, UV_EINVAL,
                             "%s.%.40s: found a member that this version does "
                             "not know",
                             where, name);
    }
    return 0;
}

int codec_decode(const struct field *fields, size_t field_count,
                 const json_t *object, enum codec_strictness strictness,
                 const char *const *also, const char *where, void *record,
                 struct fault *fault)
{
    int code = 0;

    if (!json_is_object(object))
        return fault_set(fault, UV_EINVAL, "%s: found no object, expected one",
                         where);
    if (strictness == CODEC_KNOWN_ONLY)
        code = refuse_unknown(fields, field_count, object, also, where, fault);
    for (size_t i = 0; !code && i < field_count; i++) {
        const struct place place = { where, &fields[i] };
        const json_t *json = json_object_get(object, fields[i].name);

        leave_unsaid(&fields[i], record);
        if (json && !json_is_null(json))
            code = decode_field(&place, json, record, fault);
    }
    return code;
}
