/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_FIELDS_H
#define BOTHENDS_FIELDS_H

#include <bothends/units.h>
#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * Field lists: the one description of a struct from which the plan reader, the
 * JSON codec, the logbook's columns, the CSV export and the documentation are
 * made.  A list is an array of struct field beside the struct it describes.
 */

/* What the member is in C, and how it looks in JSON. */
enum field_shape {
    FIELD_WHOLE,  /* uint64_t; JSON integer; 0 is "not said" where optional */
    FIELD_SIGNED, /* int64_t; JSON integer */
    FIELD_REAL,   /* double; JSON number, null for NaN ("not said") */
    FIELD_RANGE,  /* struct range; JSON [low, high], null for NaN */
    FIELD_SPREAD, /* struct spread; JSON {"form", "mean", "low", "high"} */
    FIELD_CHOICE, /* int, an index into choices; JSON string */
    FIELD_FLAG,   /* bool; JSON true or false; a plan says yes or no */
    FIELD_TEXT,   /* char[size]; JSON string; "" is "not said" */
};

/* A stated value or range: "12 ms" has low == high, "10..14 ms" has not. */
struct range {
    double low, high;
};

/*
 * A value drawn anew each time.  In a plan: "2 s" fixed; "about 2 s" uniform
 * between half and one and a half times; "1..3 s" uniform; "random 2 s"
 * exponential with that mean (RFC 2330 section 11.1.1).
 */
enum spread_form {
    SPREAD_FIXED,
    SPREAD_UNIFORM,
    SPREAD_EXPONENTIAL
};

static const char *const spread_forms[] = { "fixed", "uniform", "exponential",
                                            NULL };

struct spread {
    enum spread_form form;
    double mean;
    double low, high; /* of SPREAD_UNIFORM; low == high == mean when fixed */
};

struct field {
    const char *name; /* with its unit: JSON key, column, CSV heading */
    const char *key;  /* what a plan calls it ("frame.payload" is payload in
                         the mapping frame); NULL: not in plans */
    enum field_shape shape;
    enum unit unit;
    size_t offset, size;
    double least, most; /* in base units; numbers only */
    const char *preset; /* as a plan would write it; NULL: must be given;
                           "": may be left out, then "not said" */
    const char *const *choices; /* FIELD_CHOICE: NULL-terminated */
    const char *help;
};

/* The offset and size columns of a row. */
#define FIELD_AT(type, member)                                                 \
    offsetof(type, member), sizeof(((type *) 0)->member)

#define COUNT_OF(array) (sizeof(array) / sizeof((array)[0]))

static inline void *field_in(const struct field *field, void *record)
{
    return (char *) record + field->offset;
}

static inline const void *field_of(const struct field *field,
                                   const void *record)
{
    return (const char *) record + field->offset;
}

static inline struct range range_unsaid(void)
{
    return (struct range){ (double) NAN, (double) NAN };
}

static inline bool range_is_said(struct range range)
{
    return !isnan(range.low);
}

static inline double range_middle(struct range range)
{
    return (range.low + range.high) / 2;
}

#endif
