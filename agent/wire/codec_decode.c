/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/codec.h"

#include <bothends/characters.h>

#include <stdlib.h>
#include <string.h>
#include <uv.h>

#define WHERE_SIZE 160 /* the longest name of a place in messages */

/* What a member that is not there says: a number whose preset is 0 is 0. */
static void make_unsaid(const struct field *field, void *record)
{
    void *member = field_in(field, record);
    const bool is_zero = field->preset && strcmp(field->preset, "0") == 0;

    memset(member, 0, field->size);
    if (field->shape == FIELD_REAL && !is_zero)
        *(double *) member = (double) NAN;
    if (field->shape == FIELD_RANGE)
        *(struct range *) member = range_unsaid();
}

/* A value and the words for what is wrong with it. */
struct reading {
    const struct field *field;
    const json_t *json;
    const char *where;
    struct fault *fault;
};

static void describe(const json_t *json, char *ret_text, size_t size)
{
    if (json_is_array(json) || json_is_object(json)) {
        (void) snprintf(ret_text, size, "%s",
                        json_is_array(json) ? "a list" : "an object");
        return;
    }
    char *text =
        json_dumps(json, JSON_ENCODE_ANY | JSON_COMPACT | JSON_ENSURE_ASCII);

    (void) snprintf(ret_text, size, "%s", text ? text : "nothing");
    free(text);
}

static int wrong(const struct reading *reading, const char *expected)
{
    char found[80];

    describe(reading->json, found, sizeof(found));
    return fault_set(reading->fault, UV_EINVAL, "%s: found %s, expected %s",
                     reading->where, found, expected);
}

static bool has_limits(const struct field *field)
{
    return field->least < field->most;
}

static bool is_optional(const struct field *field)
{
    return field->preset && !field->preset[0];
}

static bool is_within(const struct field *field, double value)
{
    return !has_limits(field)
           || (value >= field->least && value <= field->most);
}

/* Zero and "not said" are one where a field may be left out. */
static bool may_be_zero(const struct field *field)
{
    return is_optional(field) || is_within(field, 0);
}

static int out_of_limits(const struct reading *reading)
{
    char expected[96];

    (void) snprintf(expected, sizeof(expected), "%.15g to %.15g",
                    reading->field->least, reading->field->most);
    return wrong(reading, expected);
}

static int decode_whole(const struct reading *reading, uint64_t *ret_value)
{
    const json_int_t value = json_integer_value(reading->json);

    if (!json_is_integer(reading->json) || value < 0)
        return wrong(reading, "a whole number from 0");
    if (!is_within(reading->field, (double) value)
        && !(value == 0 && is_optional(reading->field)))
        return out_of_limits(reading);
    *ret_value = (uint64_t) value;
    return 0;
}

static int decode_signed(const struct reading *reading, int64_t *ret_value)
{
    if (!json_is_integer(reading->json))
        return wrong(reading, "a whole number");
    *ret_value = json_integer_value(reading->json);
    return is_within(reading->field, (double) *ret_value)
               ? 0
               : out_of_limits(reading);
}

static int decode_real(const struct reading *reading, double *ret_value)
{
    if (json_is_null(reading->json)) {
        *ret_value = (double) NAN;
        return 0;
    }
    if (!json_is_number(reading->json))
        return wrong(reading, "a number or null");
    *ret_value = json_number_value(reading->json);
    return is_within(reading->field, *ret_value) ? 0 : out_of_limits(reading);
}

static struct reading part_of(const struct reading *reading, const json_t *json)
{
    return (struct reading){ reading->field, json, reading->where,
                             reading->fault };
}

static int decode_range(const struct reading *reading, struct range *ret_range)
{
    const struct reading low =
        part_of(reading, json_array_get(reading->json, 0));
    const struct reading high =
        part_of(reading, json_array_get(reading->json, 1));

    if (json_array_size(reading->json) != 2)
        return wrong(reading, "a list of two numbers");
    int code = decode_real(&low, &ret_range->low);
    if (!code)
        code = decode_real(&high, &ret_range->high);
    if (!code
        && (isnan(ret_range->low) != isnan(ret_range->high)
            || ret_range->low > ret_range->high))
        code = wrong(reading, "the lower number first");
    return code;
}

static int word_index(const struct reading *reading, const char *const *words)
{
    char expected[240] = "one of";
    const char *found = json_string_value(reading->json);

    for (int i = 0; words[i]; i++) {
        const size_t used = strlen(expected);

        if (found && strcmp(found, words[i]) == 0)
            return i;
        (void) snprintf(expected + used, sizeof(expected) - used, "%s '%s'",
                        i ? "," : "", words[i]);
    }
    return wrong(reading, expected);
}

/* low and high of a uniform spread may lie outside the limits of its mean
 * ("about 1 ms"), but never below zero. */
static int decode_spread(const struct reading *reading,
                         struct spread *ret_spread)
{
    static const char expected[] =
        "{\"form\": …, \"mean\": …, \"low\": …, \"high\": …}";
    const json_t *form_json = json_object_get(reading->json, "form");
    const json_t *mean_json = json_object_get(reading->json, "mean");
    const double low = json_number_value(json_object_get(reading->json, "low"));
    const double high =
        json_number_value(json_object_get(reading->json, "high"));
    const struct reading form_reading = part_of(reading, form_json);
    const struct reading mean_reading = part_of(reading, mean_json);
    double mean = 0;

    if (json_object_size(reading->json) != 4 || !form_json
        || !json_is_number(mean_json))
        return wrong(reading, expected);
    const int form = word_index(&form_reading, spread_forms);
    if (form < 0)
        return form;
    const int code = decode_real(&mean_reading, &mean);
    if (code)
        return code;
    if (low < 0 || high < low
        || (form == SPREAD_UNIFORM && (mean < low || mean > high)))
        return wrong(reading, "a spread with 0 <= low <= mean <= high");
    *ret_spread = (struct spread){ (enum spread_form) form, mean, low, high };
    return 0;
}

/* jansson has seen to it that the text is UTF-8 without a NUL. */
static int decode_text(const struct reading *reading, char *ret_text)
{
    const char *text = json_string_value(reading->json);
    char expected[64];

    (void) snprintf(expected, sizeof(expected),
                    "a text of at most %zu bytes on one line",
                    reading->field->size - 1);
    if (!text || strlen(text) >= reading->field->size || !text_is_clean(text))
        return wrong(reading, expected);
    memcpy(ret_text, text, strlen(text) + 1);
    return 0;
}

static int decode_choice(const struct reading *reading, int *ret_value)
{
    const int index = word_index(reading, reading->field->choices);

    if (index < 0)
        return index;
    *ret_value = index;
    return 0;
}

static int decode_flag(const struct reading *reading, bool *ret_value)
{
    if (!json_is_boolean(reading->json))
        return wrong(reading, "true or false");
    *ret_value = json_is_true(reading->json);
    return 0;
}

int codec_decode_value(const struct field *field, const json_t *json,
                       const char *where, void *record, struct fault *fault)
{
    const struct reading reading = { field, json, where, fault };
    void *member = field_in(field, record);

    if (field->shape == FIELD_REAL && json_is_null(json)) {
        make_unsaid(field, record);
        return 0;
    }
    switch (field->shape) {
    case FIELD_WHOLE:
        return decode_whole(&reading, member);
    case FIELD_SIGNED:
        return decode_signed(&reading, member);
    case FIELD_REAL:
        return decode_real(&reading, member);
    case FIELD_RANGE:
        return decode_range(&reading, member);
    case FIELD_SPREAD:
        return decode_spread(&reading, member);
    case FIELD_CHOICE:
        return decode_choice(&reading, member);
    case FIELD_FLAG:
        return decode_flag(&reading, member);
    case FIELD_TEXT:
        return decode_text(&reading, member);
    }
    return fault_set(fault, UV_EINVAL, "%s: unknown shape", where);
}

static int decode_member(const struct field *field, const json_t *object,
                         const char *where, void *record, struct fault *fault)
{
    const json_t *json = json_object_get(object, field->name);
    char place[WHERE_SIZE];

    make_unsaid(field, record);
    (void) snprintf(place, sizeof(place), "%s.%s", where, field->name);
    if (json)
        return codec_decode_value(field, json, place, record, fault);
    if (!may_be_zero(field))
        return fault_set(fault, UV_EINVAL,
                         "%s: found nothing, expected %.15g "
                         "to %.15g",
                         place, field->least, field->most);
    return 0;
}

static bool is_known(const struct field *fields, size_t field_count,
                     const char *const *also, const char *name)
{
    for (size_t i = 0; i < field_count; i++) {
        if (strcmp(fields[i].name, name) == 0)
            return true;
    }
    for (; also && *also; also++) {
        if (strcmp(*also, name) == 0)
            return true;
    }
    return false;
}

static int refuse_unknown(const struct field *fields, size_t field_count,
                          const json_t *object, const char *const *also,
                          const char *where, struct fault *fault)
{
    json_t *copy = json_deep_copy(object); /* its iteration takes no const */
    const char *name;
    const json_t *value;
    int code = 0;

    json_object_foreach(copy, name, value)
    {
        if (!is_known(fields, field_count, also, name))
            code = fault_set(fault, UV_EINVAL,
                             "%s: found the member '%.40s', expected none of "
                             "that name (is one side of another version?)",
                             where, name);
    }
    json_decref(copy);
    return code;
}

int codec_decode(const struct field *fields, size_t field_count,
                 const json_t *object, enum codec_strictness strictness,
                 const char *const *also, const char *where, void *record,
                 struct fault *fault)
{
    if (!json_is_object(object)) {
        const struct reading reading = { NULL, object, where, fault };

        return wrong(&reading, "an object");
    }
    if (strictness == CODEC_KNOWN_ONLY) {
        const int code =
            refuse_unknown(fields, field_count, object, also, where, fault);

        if (code)
            return code;
    }
    for (size_t i = 0; i < field_count; i++) {
        const int code =
            decode_member(&fields[i], object, where, record, fault);

        if (code)
            return code;
    }
    return 0;
}
