/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/codec.h"

#include <bothends/characters.h>

#include <inttypes.h>
#include <string.h>
#include <uv.h>

static bool is_unsaid(const struct field *field, const void *record)
{
    const void *member = field_of(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
    case FIELD_SIGNED:
        return *(const uint64_t *) member == 0;
    case FIELD_REAL:
        return isnan(*(const double *) member);
    case FIELD_RANGE:
        return !range_is_said(*(const struct range *) member);
    case FIELD_SPREAD:
        return fpclassify(((const struct spread *) member)->mean) == FP_ZERO;
    case FIELD_CHOICE:
        return *(const int *) member == 0;
    case FIELD_FLAG:
        return !*(const bool *) member;
    case FIELD_TEXT:
        return !*(const char *) member;
    }
    return false;
}

/* NaN is "not said"; infinity has no place in JSON. */
static json_t *encode_real(const struct field *field, double value,
                           struct fault *fault)
{
    if (isnan(value))
        return json_null();
    if (isinf(value))
        (void) fault_set(fault, UV_ERANGE,
                         "%s: found infinity, expected a "
                         "number",
                         field->name);
    return json_real(value); /* NULL for infinity */
}

static json_t *encode_whole(const struct field *field, uint64_t value,
                            struct fault *fault)
{
    if (value > INT64_MAX) {
        (void) fault_set(fault, UV_ERANGE,
                         "%s: found %" PRIu64 ", expected at most %" PRId64,
                         field->name, value, INT64_MAX);
        return NULL;
    }
    return json_integer((json_int_t) value);
}

static json_t *encode_range(const struct field *field,
                            const struct range *range, struct fault *fault)
{
    return json_pack("[o, o]", encode_real(field, range->low, fault),
                     encode_real(field, range->high, fault));
}

static json_t *encode_spread(const struct field *field,
                             const struct spread *spread, struct fault *fault)
{
    return json_pack("{s:s, s:o, s:o, s:o}", "form", spread_forms[spread->form],
                     "mean", encode_real(field, spread->mean, fault), "low",
                     encode_real(field, spread->low, fault), "high",
                     encode_real(field, spread->high, fault));
}

/* A text that would not be taken at the other side (no UTF-8, or more than a
 * line) loses what is odd in it, rather than the whole message. */
static json_t *encode_text(const char *text, size_t size)
{
    char plain[256];
    json_t *json = text_is_clean(text) ? json_string(text) : NULL;
    size_t length = 0;

    if (json)
        return json;
    for (; length < size && length + 1 < sizeof(plain) && text[length];
         length++) {
        const bool is_plain = text[length] >= 0x20 && text[length] < 0x7f;

        plain[length] = text[length];
        if (!is_plain)
            plain[length] = '?';
    }
    plain[length] = '\0';
    return json_string(plain);
}

json_t *codec_encode_value(const struct field *field, const void *record,
                           struct fault *fault)
{
    const void *member = field_of(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
        return encode_whole(field, *(const uint64_t *) member, fault);
    case FIELD_SIGNED:
        return json_integer(*(const int64_t *) member);
    case FIELD_REAL:
        return encode_real(field, *(const double *) member, fault);
    case FIELD_RANGE:
        return encode_range(field, member, fault);
    case FIELD_SPREAD:
        return encode_spread(field, member, fault);
    case FIELD_CHOICE:
        return json_string(field->choices[*(const int *) member]);
    case FIELD_FLAG:
        return json_boolean(*(const bool *) member);
    case FIELD_TEXT:
        return encode_text(member, field->size);
    }
    return NULL;
}

int codec_encode(const struct field *fields, size_t field_count,
                 const void *record, json_t *object, struct fault *fault)
{
    for (size_t i = 0; i < field_count; i++) {
        if (is_unsaid(&fields[i], record))
            continue;
        json_t *value = codec_encode_value(&fields[i], record, fault);

        if (!value || json_object_set_new(object, fields[i].name, value) < 0)
            return fault_set(fault, UV_ERANGE, "%s: can't be written as JSON",
                             fields[i].name);
    }
    return 0;
}
