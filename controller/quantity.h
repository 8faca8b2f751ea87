/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_QUANTITY_H
#define CONTROLLER_QUANTITY_H

#include <bothends/fields.h>

/*
 * Values as people write them, "250 ms" or "10..14 ms", from and to the member
 * that a field describes.  Plans, presets and options are all read here, so
 * that one value is written in one way everywhere.
 */
#define QUANTITY_TEXT_SIZE 512 /* room for any written value */

/* Why a text was refused: "found …, expected …". */
struct complaint {
    char found[128];
    char expected[256];
    int beyond; /* the limits: -1 below, 1 above; 0: another reason */
};

/* 0, or UV_EINVAL with a complaint; then the member is as it was. */
int quantity_read(const struct field *field, const char *text, void *record,
                  struct complaint *ret_complaint);

/* The member as it is when nobody speaks of it: its preset, or "not said". */
void quantity_preset(const struct field *field, void *record);
void quantity_preset_all(const struct field *fields, size_t field_count,
                         void *record);
bool quantity_is_said(const struct field *field, const void *record);
bool quantity_is_preset(const struct field *field, const void *record);

/* What a right value looks like: "a time such as 250 ms". */
void quantity_describe(const struct field *field, char *ret_text, size_t size);
/* The limits with units, "1 ms to 24 h"; "" when there are none. */
void quantity_limits(const struct field *field, char *ret_text, size_t size);

/* The member as a plan would say it; reads back as the very same value.
 * "" when not said. */
void quantity_write(const struct field *field, const void *record,
                    char *ret_text, size_t size);

/* For tables: three figures and a fitting prefix; "-" for NaN. */
void quantity_show(enum unit unit, double value, char *ret_text, size_t size);
void quantity_show_range(enum unit unit, struct range range, char *ret_text,
                         size_t size);

/* A text from outside made safe to print, in quotes, cut when it is long. */
void quantity_quote(const char *text, char *ret_text, size_t size);

/* Spelling of a unit, and a number in it as base units. */
const struct unit_word *quantity_unit(enum unit unit, const char *word,
                                      size_t length);
double quantity_to_base(double number, const struct unit_word *word);

#endif
