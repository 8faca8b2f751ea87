/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/quantity.h"

#include "controller/text.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_SIZE     48
#define DENOMINATOR_MAX 16 /* 5/6 and the like are written as people do */
#define QUOTED_MAX      60 /* bytes of a text that a message repeats */

/* Other spellings of a unit: read, but never written. */
static bool is_alias(const struct unit_word *word)
{
    return strcmp(word->word, "µs") == 0 || strcmp(word->word, "°") == 0
           || (word->unit == UNIT_FLUX && strcmp(word->word, "W/m2") != 0);
}

/* The shortest decimal that reads back as that value in that unit. */
static void write_number(double value, const struct unit_word *word,
                         char *ret_text)
{
    const double number = !word              ? value
                          : word->factor < 1 ? value * round(1 / word->factor)
                                             : value / word->factor;

    for (int digits = 1; digits <= 17; digits++) {
        (void) snprintf(ret_text, NUMBER_SIZE, "%.*g", digits, number);

        const double back = strtod(ret_text, NULL);
        const bool is_same =
            (word ? quantity_to_base(back, word) : back) == value;
        if (is_same && (!strchr(ret_text, 'e') || digits == 17))
            return;
    }
}

static bool reads_back(const char *text, double value,
                       const struct unit_word *word)
{
    const double back = strtod(text, NULL);

    return (word ? quantity_to_base(back, word) : back) == value;
}

/* How awkward a number is to read: its length, and more with a decimal point;
 * bytes are counted rather than divided (1500 B, not 1.5 kB). */
static size_t awkwardness(enum unit unit, const char *number)
{
    const size_t point_cost = unit == UNIT_BYTES ? 2 : 1;

    return strlen(number) + (strchr(number, '.') ? point_cost : 0)
           + (strchr(number, 'e') ? NUMBER_SIZE : 0);
}

/* Nought is written in the base unit, but for 0 ms. */
static const struct unit_word *unit_of_nought(enum unit unit)
{
    const double factor = unit == UNIT_DURATION ? (double) NS_PER_MS
                          : unit == UNIT_RATIO  ? 0.01
                                                : 1;

    for (size_t i = 0; i < COUNT_OF(unit_words); i++) {
        if (unit_words[i].unit == unit && unit_words[i].factor == factor)
            return &unit_words[i];
    }
    return NULL;
}

/* The word under which the number is shortest; the larger unit on a tie. */
static const struct unit_word *best_word(enum unit unit, double value,
                                         char *ret_number)
{
    const struct unit_word *best = NULL;
    size_t least_awkward = SIZE_MAX;
    char number[NUMBER_SIZE];

    if (value == 0) {
        (void) snprintf(ret_number, NUMBER_SIZE, "0");
        return unit_of_nought(unit);
    }
    for (size_t i = 0; i < COUNT_OF(unit_words); i++) {
        const struct unit_word *word = &unit_words[i];

        if (word->unit != unit || is_alias(word))
            continue;
        write_number(value, word, number);
        if (!reads_back(number, value, word)
            || awkwardness(unit, number) > least_awkward
            || (fabs(value) < word->factor && best))
            continue;
        least_awkward = awkwardness(unit, number);
        best = word;
        memcpy(ret_number, number, sizeof(number));
    }
    return best;
}

/* 3/4 and 5/6, as code rates are written. */
static bool write_fraction(double value, char *ret_text, size_t size)
{
    for (int denominator = 2; denominator <= DENOMINATOR_MAX; denominator++) {
        const double numerator = round(value * denominator);

        if (numerator > 0 && numerator < denominator
            && numerator / denominator == value) {
            (void) snprintf(ret_text, size, "%.0f/%d", numerator, denominator);
            return true;
        }
    }
    return false;
}

static void write_value(enum unit unit, double value, char *ret_text,
                        size_t size)
{
    char number[NUMBER_SIZE] = "";
    const struct unit_word *word = best_word(unit, value, number);

    if (unit == UNIT_RATIO && (!word || strlen(number) > 4)
        && write_fraction(value, ret_text, size))
        return;
    if (!word || (unit == UNIT_RATIO && strlen(number) > 4)) {
        word = NULL;
        write_number(value, NULL, number);
    }
    (void) snprintf(ret_text, size, "%s%s%s%s",
                    unit == UNIT_WITHIN ? "within " : "", number,
                    word ? " " : "", word ? word->word : "");
}

static void write_range(enum unit unit, double low, double high, char *ret_text,
                        size_t size)
{
    char low_text[NUMBER_SIZE + 8], high_text[NUMBER_SIZE + 8];

    write_value(unit, low, low_text, sizeof(low_text));
    write_value(unit, high, high_text, sizeof(high_text));

    const char *low_unit = strchr(low_text, ' ');
    const char *high_unit = strchr(high_text, ' ');
    if (low == high)
        (void) snprintf(ret_text, size, "%s", low_text);
    else if (low_unit && high_unit && strcmp(low_unit, high_unit) == 0)
        (void) snprintf(ret_text, size, "%.*s..%s", (int) (low_unit - low_text),
                        low_text, high_text);
    else
        (void) snprintf(ret_text, size, "%s..%s", low_text, high_text);
}

static void write_spread(enum unit unit, const struct spread *spread,
                         char *ret_text, size_t size)
{
    const char *word = "";

    if (spread->form == SPREAD_EXPONENTIAL)
        word = "random ";
    else if (spread->form == SPREAD_UNIFORM && spread->low == spread->mean / 2
             && spread->high == spread->mean * 3 / 2)
        word = "about ";
    else if (spread->form == SPREAD_UNIFORM) {
        write_range(unit, spread->low, spread->high, ret_text, size);
        return;
    }
    const size_t used = strlen(word);
    memcpy(ret_text, word, used + 1);
    write_value(unit, spread->mean, ret_text + used, size - used);
}

void quantity_write(const struct field *field, const void *record,
                    char *ret_text, size_t size)
{
    const void *member = field_of(field, record);

    ret_text[0] = '\0';
    if (!quantity_is_said(field, record))
        return;
    switch (field->shape) {
    case FIELD_WHOLE:
        write_value(field->unit, (double) *(const uint64_t *) member, ret_text,
                    size);
        return;
    case FIELD_SIGNED:
        write_value(field->unit, (double) *(const int64_t *) member, ret_text,
                    size);
        return;
    case FIELD_REAL:
        write_value(field->unit, *(const double *) member, ret_text, size);
        return;
    case FIELD_RANGE: {
        const struct range *range = member;

        write_range(field->unit, range->low, range->high, ret_text, size);
        return;
    }
    case FIELD_SPREAD:
        write_spread(field->unit, member, ret_text, size);
        return;
    case FIELD_CHOICE:
        (void) snprintf(ret_text, size, "%s",
                        field->choices[*(const int *) member]);
        return;
    case FIELD_FLAG:
        (void) snprintf(ret_text, size, "%s",
                        *(const bool *) member ? "yes" : "no");
        return;
    case FIELD_TEXT:
        (void) snprintf(ret_text, size, "%s", (const char *) member);
        return;
    }
}

bool quantity_is_said(const struct field *field, const void *record)
{
    const void *member = field_of(field, record);
    const bool is_optional = field->preset && !field->preset[0];

    switch (field->shape) {
    case FIELD_REAL:
        return !isnan(*(const double *) member);
    case FIELD_RANGE:
        return range_is_said(*(const struct range *) member);
    case FIELD_TEXT:
        return *(const char *) member != '\0';
    case FIELD_WHOLE:
        return !is_optional || *(const uint64_t *) member != 0;
    case FIELD_SPREAD:
        return !is_optional || ((const struct spread *) member)->mean != 0;
    case FIELD_SIGNED:
    case FIELD_CHOICE:
    case FIELD_FLAG:
        return true;
    }
    return false;
}

bool quantity_is_preset(const struct field *field, const void *record)
{
    char said[QUANTITY_TEXT_SIZE], preset[QUANTITY_TEXT_SIZE];
    struct field alone = *field;
    unsigned char room[QUANTITY_TEXT_SIZE]
        __attribute__((aligned(sizeof(max_align_t))));

    if (!field->preset || field->size > sizeof(room))
        return false;
    alone.offset = 0;
    quantity_preset(&alone, room);
    quantity_write(&alone, room, preset, sizeof(preset));
    quantity_write(field, record, said, sizeof(said));
    return strcmp(said, preset) == 0;
}

void quantity_limits(const struct field *field, char *ret_text, size_t size)
{
    char least[NUMBER_SIZE + 8], most[NUMBER_SIZE + 8];

    ret_text[0] = '\0';
    if (field->least == 0 && field->most == 0)
        return;
    write_value(field->unit, field->least, least, sizeof(least));
    write_value(field->unit, field->most, most, sizeof(most));
    (void) snprintf(ret_text, size, "%s to %s", least, most);
}

void quantity_describe(const struct field *field, char *ret_text, size_t size)
{
    const char *example = unit_example(field->unit);
    const char *such = strstr(example, " such as ");
    const char *sample = such ? such + strlen(" such as ") : "1";

    switch (field->shape) {
    case FIELD_WHOLE:
    case FIELD_SIGNED:
    case FIELD_REAL:
        (void) snprintf(ret_text, size, "%s", example);
        return;
    case FIELD_RANGE:
        (void) snprintf(ret_text, size, "%s, or a range LOW..HIGH", example);
        return;
    case FIELD_SPREAD:
        (void) snprintf(ret_text, size,
                        "%s, about %s, random %s, or a range LOW..HIGH",
                        example, sample, sample);
        return;
    case FIELD_CHOICE:
        text_join(field->choices, ret_text, size);
        return;
    case FIELD_FLAG:
        (void) snprintf(ret_text, size, "yes or no");
        return;
    case FIELD_TEXT:
        (void) snprintf(ret_text, size, "text (%s)", field->help);
        return;
    }
}

void quantity_show(enum unit unit, double value, char *ret_text, size_t size)
{
    char digits[NUMBER_SIZE];
    const struct unit_word *best = NULL;

    if (isnan(value)) {
        (void) snprintf(ret_text, size, "-");
        return;
    }
    /* Rounded first, so that 999.9 becomes 1 k and never 1000. */
    (void) snprintf(digits, sizeof(digits), "%.2e", value);
    value = strtod(digits, NULL);
    for (size_t i = 0; i < COUNT_OF(unit_words); i++) {
        const struct unit_word *word = &unit_words[i];
        const bool is_binary = strstr(word->word, "iB") != NULL;

        if (word->unit == unit && !is_alias(word) && !is_binary
            && (!best || fabs(value) >= word->factor))
            best = word;
    }
    const double number = best ? value / best->factor : value;
    const int decimals = fabs(number) >= 99.95   ? 0
                         : fabs(number) >= 9.995 ? 1
                                                 : 2;
    (void) snprintf(ret_text, size, "%.*f%s%s", decimals, number,
                    best ? " " : "", best ? best->word : "");
}

void quantity_show_range(enum unit unit, struct range range, char *ret_text,
                         size_t size)
{
    char low[NUMBER_SIZE + 8], high[NUMBER_SIZE + 8];

    quantity_show(unit, range.low, low, sizeof(low));
    quantity_show(unit, range.high, high, sizeof(high));

    const char *low_unit = strchr(low, ' '), *high_unit = strchr(high, ' ');
    if (strcmp(low, high) == 0)
        (void) snprintf(ret_text, size, "%s", low);
    else if (low_unit && high_unit && strcmp(low_unit, high_unit) == 0)
        (void) snprintf(ret_text, size, "%.*s..%s", (int) (low_unit - low), low,
                        high);
    else
        (void) snprintf(ret_text, size, "%s..%s", low, high);
}

void quantity_quote(const char *text, char *ret_text, size_t size)
{
    size_t used = 0;
    const size_t room = size < QUOTED_MAX + 8 ? size - 8 : QUOTED_MAX;
    const bool is_printable = text_is_printable(text);
    size_t length = strlen(text);
    const bool is_cut = length > room;

    if (is_cut) {
        length = room;
        /* Not in the middle of a character. */
        while (length && ((unsigned char) text[length] & 0xc0) == 0x80)
            length--;
    }
    ret_text[used++] = '\'';
    for (size_t i = 0; i < length; i++) {
        const unsigned char c = (unsigned char) text[i];
        const bool is_plain = c >= 0x20 && c < 0x7f;

        ret_text[used++] = (char) (is_plain || is_printable ? c : '?');
    }
    (void) snprintf(ret_text + used, size - used, "%s'", is_cut ? "..." : "");
}
