/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_CODEC_H
#define WIRE_CODEC_H

#include <bothends/fault.h>
#include <bothends/fields.h>
#include <jansson.h>

/*
 * A struct to and from JSON by its field list; the shapes are described in
 * bothends/fields.h.
 */

enum codec_strictness {
    CODEC_KNOWN_ONLY, /* an unknown member is an error */
    CODEC_TOLERANT,   /* unknown members are passed over: a newer version's */
};

/*
 * Adds the members to an object.  Values that are zero, empty or not said are
 * left out; decoding puts them back as such.  A number that JSON can't hold
 * (infinity, a whole number above 2^63 - 1) is UV_ERANGE.
 */
int codec_encode(const struct field *fields, size_t field_count,
                 const void *record, json_t *object, struct fault *fault);

/*
 * Fills the record, which is zeroed first for every listed field ("not said"
 * where the member is missing).  Limits of the fields are enforced on the
 * members that are there; a missing one is an error where its field neither
 * allows zero nor may be left out (preset "").  where names the object in
 * messages: "order.spec".
 * also: members that belong to others, NULL-terminated; may be NULL.
 */
int codec_decode(const struct field *fields, size_t field_count,
                 const json_t *object, enum codec_strictness strictness,
                 const char *const *also, const char *where, void *record,
                 struct fault *fault);

/* One value; "not said" is JSON's null.  A new reference, or NULL. */
json_t *codec_encode_value(const struct field *field, const void *record,
                           struct fault *fault);
/* where names the value itself: "order.spec.gap_ns". */
int codec_decode_value(const struct field *field, const json_t *json,
                       const char *where, void *record, struct fault *fault);

#endif
