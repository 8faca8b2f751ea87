/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/quantity.h"

#include "controller/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

#define NUMBER_LENGTH_MAX 40
#define WHOLE_MAX         0x1p53 /* wholes pass through a double */

/* What one reading knows: where it is in the text, and what to complain of. */
struct reading {
    const struct field *field;
    const char *text; /* borrowed, all of it */
    const char *at;
    struct complaint *complaint;
};

/* A number with the unit that stood behind it, if one did. */
struct amount {
    double number;
    const struct unit_word *word;
};

/* The first complaint stays: it is the one nearest to the cause. */
__attribute__((format(printf, 2, 3))) static bool
complain(struct reading *reading, const char *format, ...)
{
    struct complaint *complaint = reading->complaint;
    va_list arguments;

    if (complaint->expected[0])
        return false;
    quantity_quote(reading->text, complaint->found, sizeof(complaint->found));
    va_start(arguments, format);
    (void) vsnprintf(complaint->expected, sizeof(complaint->expected), format,
                     arguments);
    va_end(arguments);
    return false;
}

static void skip_blanks(struct reading *reading)
{
    while (*reading->at == ' ')
        reading->at++;
}

static bool skip_word(struct reading *reading, const char *word)
{
    const size_t length = strlen(word);

    if (strncmp(reading->at, word, length) != 0)
        return false;
    reading->at += length;
    return true;
}

static const char *skip_digits(const char *at)
{
    while (*at >= '0' && *at <= '9')
        at++;
    return at;
}

/* Where a decimal number ends; at itself when none begins there.  Narrower
 * than strtod(): no hexadecimal, no "inf", and ".." belongs to a range. */
static const char *number_end(const char *at)
{
    const char *digits = *at == '-' || *at == '+' ? at + 1 : at;
    const char *end = skip_digits(digits);

    if (end == digits)
        return at;
    if (end[0] == '.' && skip_digits(end + 1) != end + 1)
        end = skip_digits(end + 1);
    if (end[0] == 'e' || end[0] == 'E') {
        const char *power = end[1] == '-' || end[1] == '+' ? end + 2 : end + 1;

        if (skip_digits(power) != power)
            end = skip_digits(power);
    }
    return end;
}

static bool read_number(struct reading *reading, double *ret_number)
{
    const char *end = number_end(reading->at);
    const size_t length = (size_t) (end - reading->at);
    char digits[NUMBER_LENGTH_MAX + 1];

    if (length == 0 || length > NUMBER_LENGTH_MAX)
        return false;
    memcpy(digits, reading->at, length);
    digits[length] = '\0';
    *ret_number = strtod(digits, NULL);
    reading->at = end;
    return isfinite(*ret_number);
}

const struct unit_word *quantity_unit(enum unit unit, const char *word,
                                      size_t length)
{
    for (size_t i = 0; i < COUNT_OF(unit_words); i++) {
        const struct unit_word *known = &unit_words[i];

        if (known->unit == unit && strlen(known->word) == length
            && strncmp(known->word, word, length) == 0)
            return known;
    }
    return NULL;
}

/* Dividing keeps 7 % at 0.07, where 7 * 0.01 is the double above it. */
double quantity_to_base(double number, const struct unit_word *word)
{
    return word->factor < 1 ? number / round(1 / word->factor)
                            : number * word->factor;
}

/* "3/4": only a ratio is written so. */
static bool read_denominator(struct reading *reading, double *number)
{
    double denominator;

    if (reading->field->unit != UNIT_RATIO || *reading->at != '/')
        return true;
    reading->at++;
    if (!read_number(reading, &denominator) || denominator <= 0)
        return false;
    *number /= denominator;
    return true;
}

static bool read_amount(struct reading *reading, struct amount *ret_amount)
{
    ret_amount->word = NULL;
    if (!read_number(reading, &ret_amount->number)
        || !read_denominator(reading, &ret_amount->number))
        return false;
    skip_blanks(reading);

    size_t length = strcspn(reading->at, " ");
    const char *dots = strstr(reading->at, "..");
    if (dots && (size_t) (dots - reading->at) < length)
        length = (size_t) (dots - reading->at);
    if (length == 0)
        return true;
    ret_amount->word = quantity_unit(reading->field->unit, reading->at, length);
    reading->at += length;
    skip_blanks(reading);
    return ret_amount->word != NULL;
}

static bool needs_unit(enum unit unit)
{
    return unit != UNIT_NONE && unit != UNIT_COUNT && unit != UNIT_RATIO;
}

static bool is_within(const struct field *field, double value)
{
    return (field->least == 0 && field->most == 0)
           || (value >= field->least && value <= field->most);
}

static const char *noun_of(enum unit unit, int *ret_length)
{
    const char *example = unit_example(unit);
    const char *end = strstr(example, " such as ");

    *ret_length = (int) (end ? end - example : (long) strlen(example));
    return example;
}

static bool settle(struct reading *reading, const struct amount *amount,
                   double *ret_value)
{
    const struct field *field = reading->field;

    if (!amount->word && needs_unit(field->unit))
        return false;
    *ret_value = amount->word ? quantity_to_base(amount->number, amount->word)
                              : amount->number;
    *ret_value += 0.0; /* -0 is 0 */
    if (isfinite(*ret_value) && is_within(field, *ret_value))
        return true;

    char limits[96];
    int length;
    const char *noun = noun_of(field->unit, &length);
    quantity_limits(field, limits, sizeof(limits));
    reading->complaint->beyond = *ret_value < field->least ? -1 : 1;
    return complain(reading, "%.*s from %s", length, noun, limits);
}

/* One value, or LOW..HIGH; a unit behind the second serves for both. */
static bool read_range(struct reading *reading, struct range *ret_range)
{
    struct amount low, high;

    if (!read_amount(reading, &low))
        return false;
    high = low;
    if (skip_word(reading, "..")) {
        skip_blanks(reading);
        if (!read_amount(reading, &high))
            return false;
        if (!low.word)
            low.word = high.word;
    }
    if (*reading->at || !settle(reading, &low, &ret_range->low)
        || !settle(reading, &high, &ret_range->high))
        return false;
    if (ret_range->low > ret_range->high)
        return complain(reading, "the smaller value first");
    return true;
}

static bool read_single(struct reading *reading, double *ret_value)
{
    struct amount amount;

    return read_amount(reading, &amount) && !*reading->at
           && settle(reading, &amount, ret_value);
}

/* A whole number of base units; 1.1 us is 1100 ns although 1.1 is no double. */
static bool read_whole(struct reading *reading, double *ret_value)
{
    const bool is_signed = reading->field->shape == FIELD_SIGNED;
    double value;

    if (!read_single(reading, &value))
        return false;
    *ret_value = round(value);
    if (fabs(value - *ret_value) > 1e-6 || fabs(value) > WHOLE_MAX)
        return complain(reading, "%s",
                        reading->field->unit == UNIT_BYTES
                            ? "a whole number of bytes"
                            : "a whole number");
    if (value < 0 && !is_signed)
        return complain(reading, "a value that is not negative");
    return true;
}

static bool read_spread(struct reading *reading, struct spread *ret_spread)
{
    struct range range;

    if (skip_word(reading, "about ")) {
        skip_blanks(reading);
        if (!read_single(reading, &ret_spread->mean))
            return false;
        ret_spread->form = SPREAD_UNIFORM;
        ret_spread->low = ret_spread->mean / 2;
        ret_spread->high = ret_spread->mean * 3 / 2;
        return true;
    }
    if (skip_word(reading, "random ")) {
        skip_blanks(reading);
        ret_spread->form = SPREAD_EXPONENTIAL;
        ret_spread->low = ret_spread->high = 0;
        return read_single(reading, &ret_spread->mean);
    }
    if (!read_range(reading, &range))
        return false;
    ret_spread->form = range.low == range.high ? SPREAD_FIXED : SPREAD_UNIFORM;
    ret_spread->mean = range_middle(range);
    ret_spread->low = range.low;
    ret_spread->high = range.high;
    return true;
}

static bool read_choice(const struct reading *reading, int *ret_choice)
{
    const char *const *choices = reading->field->choices;

    for (int i = 0; choices[i]; i++) {
        if (strcmp(choices[i], reading->text) == 0) {
            *ret_choice = i;
            return true;
        }
    }
    return false;
}

static bool read_flag(const struct reading *reading, bool *ret_flag)
{
    const char *text = reading->text;

    *ret_flag = strcmp(text, "yes") == 0 || strcmp(text, "true") == 0;
    return *ret_flag || strcmp(text, "no") == 0 || strcmp(text, "false") == 0;
}

static bool read_text(struct reading *reading, char *ret_text)
{
    const size_t room = reading->field->size;
    const size_t length = strlen(reading->text);

    if (!text_is_printable(reading->text))
        return complain(reading, "text without control characters");
    if (length >= room)
        return complain(reading, "at most %zu bytes of text, not %zu", room - 1,
                        length);
    memset(ret_text, 0, room);
    memcpy(ret_text, reading->text, length);
    return true;
}

/* What a unit wants before its number. */
static bool skip_unit_word(struct reading *reading)
{
    if (reading->field->unit != UNIT_WITHIN)
        return true;
    if (!skip_word(reading, "within "))
        return false;
    skip_blanks(reading);
    return true;
}

static bool read_value(struct reading *reading, void *member)
{
    double value = 0;
    bool is_right = false;

    switch (reading->field->shape) {
    case FIELD_WHOLE:
        is_right = read_whole(reading, &value);
        if (is_right)
            *(uint64_t *) member = (uint64_t) value;
        return is_right;
    case FIELD_SIGNED:
        is_right = read_whole(reading, &value);
        if (is_right)
            *(int64_t *) member = (int64_t) value;
        return is_right;
    case FIELD_REAL:
        is_right = skip_unit_word(reading) && read_single(reading, &value);
        if (is_right)
            *(double *) member = value;
        return is_right;
    case FIELD_RANGE: {
        struct range range;

        is_right = read_range(reading, &range);
        if (is_right)
            *(struct range *) member = range;
        return is_right;
    }
    case FIELD_SPREAD: {
        struct spread spread;

        is_right = read_spread(reading, &spread);
        if (is_right)
            *(struct spread *) member = spread;
        return is_right;
    }
    case FIELD_CHOICE: {
        int choice;

        is_right = read_choice(reading, &choice);
        if (is_right)
            *(int *) member = choice;
        return is_right;
    }
    case FIELD_FLAG: {
        bool flag;

        is_right = read_flag(reading, &flag);
        if (is_right)
            *(bool *) member = flag;
        return is_right;
    }
    case FIELD_TEXT:
        return read_text(reading, member);
    }
    return false;
}

static bool is_number(const struct field *field)
{
    switch (field->shape) {
    case FIELD_WHOLE:
    case FIELD_SIGNED:
    case FIELD_REAL:
    case FIELD_RANGE:
    case FIELD_SPREAD:
        return true;
    case FIELD_CHOICE:
    case FIELD_FLAG:
    case FIELD_TEXT:
        return false;
    }
    return false;
}

/* "2,5 s" is how half of the world writes it: say what to change. */
static void complain_of_comma(struct reading *reading)
{
    const char *comma = strchr(reading->text, ',');
    const size_t before = comma ? (size_t) (comma - reading->text) : 0;

    if (!comma || before == 0 || !text_is_digit(comma[-1])
        || !text_is_digit(comma[1]))
        return;
    if (strchr(comma + 1, ',') || strlen(reading->text) > NUMBER_LENGTH_MAX
        || !text_is_printable(reading->text))
        (void) complain(reading, "a number without commas");
    else
        (void) complain(reading, "a decimal point, as in %.*s.%s", (int) before,
                        reading->text, comma + 1);
}

int quantity_read(const struct field *field, const char *text, void *record,
                  struct complaint *ret_complaint)
{
    struct reading reading = { field, text, text, ret_complaint };
    char description[sizeof(ret_complaint->expected)];

    memset(ret_complaint, 0, sizeof(*ret_complaint));
    skip_blanks(&reading);
    if (read_value(&reading, field_in(field, record)))
        return 0;
    if (is_number(field))
        complain_of_comma(&reading);
    quantity_describe(field, description, sizeof(description));
    (void) complain(&reading, "%s", description);
    return UV_EINVAL;
}

static void unsay(const struct field *field, void *member)
{
    memset(member, 0, field->size);
    if (field->shape == FIELD_REAL)
        *(double *) member = (double) NAN;
    if (field->shape == FIELD_RANGE)
        *(struct range *) member = range_unsaid();
}

void quantity_preset(const struct field *field, void *record)
{
    struct complaint complaint;

    unsay(field, field_in(field, record));
    /* A preset that can't be read is a mistake of ours, found by the test that
     * reads every list. */
    if (field->preset && field->preset[0])
        (void) quantity_read(field, field->preset, record, &complaint);
}

void quantity_preset_all(const struct field *fields, size_t field_count,
                         void *record)
{
    for (size_t i = 0; i < field_count; i++)
        quantity_preset(&fields[i], record);
}
