/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_words.h"

#include <bothends/fields.h>
#include <ctype.h>
#include <string.h>

/* --- figures -------------------------------------------------------------- */

static double power_of_ten(double exponent)
{
    return pow(10, exponent);
}

double spoken_rounding(double value, double low, double high)
{
    const double half = (high - low) / 2;
    const double size = fabs(value) > 0 ? floor(log10(fabs(value))) : 0;
    double exponent;

    if (!isfinite(value) || value == 0)
        return 1;
    if (isfinite(half) && half > 0)
        exponent = round(log10(half));
    else
        exponent = isfinite(half) ? size - 2 : size - 1;
    return power_of_ten(fmin(fmax(exponent, size - 2), size));
}

double spoken_not_too_coarse(double value, double rounding)
{
    static const double most_share = 0.3;

    while (rounding > most_share * fabs(value) && rounding > 0 && value != 0)
        rounding /= 10;
    return rounding;
}

void spoken_number(double value, double rounding, char ret_text[SPOKEN_SIZE])
{
    const int decimals =
        rounding < 1 ? (int) fmin(9, -floor(log10(rounding) + 1e-9)) : 0;

    (void) snprintf(ret_text, SPOKEN_SIZE, "%.*f", decimals,
                    round(value / rounding) * rounding);
}

void spoken_time(double seconds, double rounding, char ret_text[SPOKEN_SIZE])
{
    char number[SPOKEN_SIZE];

    if (seconds < 90) {
        /* Nobody says "0.0810 seconds". */
        if (seconds > 0 && seconds < 1)
            rounding = fmax(rounding, power_of_ten(floor(log10(seconds)) - 1));
        spoken_number(seconds, rounding, number);
        (void) snprintf(ret_text, SPOKEN_SIZE, "%.30s %s", number,
                        strcmp(number, "1") == 0 ? "second" : "seconds");
    } else if (seconds < 5400) {
        spoken_number(seconds / 60, fmax(rounding / 60, 1), number);
        (void) snprintf(ret_text, SPOKEN_SIZE, "%.30s minutes", number);
    } else {
        spoken_number(seconds / 3600, fmax(rounding / 3600, 1), number);
        (void) snprintf(ret_text, SPOKEN_SIZE, "%.30s hours", number);
    }
}

void spoken_span(uint64_t ns, char ret_text[SPOKEN_SIZE])
{
    static const struct {
        double least_min, most_min;
        const char *words;
    } round_ones[] = {
        { 13.5, 16.5, "a quarter of an hour" },    { 27, 33, "half an hour" },
        { 42, 48, "three quarters of an hour" },   { 55, 65, "an hour" },
        { 23 * 60, 25 * 60, "a day and a night" },
    };
    const double minutes = (double) ns / (double) NS_PER_MIN;

    for (size_t i = 0; i < COUNT_OF(round_ones); i++) {
        if (minutes >= round_ones[i].least_min
            && minutes <= round_ones[i].most_min) {
            (void) snprintf(ret_text, SPOKEN_SIZE, "%s", round_ones[i].words);
            return;
        }
    }
    spoken_time(minutes * 60, 1, ret_text);
}

void spoken_count(uint64_t count, char ret_text[SPOKEN_SIZE])
{
    static const char *const words[] = { "no",    "one",  "two", "three",
                                         "four",  "five", "six", "seven",
                                         "eight", "nine", "ten", "eleven",
                                         "twelve" };

    if (count < COUNT_OF(words))
        (void) snprintf(ret_text, SPOKEN_SIZE, "%s", words[count]);
    else
        (void) snprintf(ret_text, SPOKEN_SIZE, "%llu",
                        (unsigned long long) count);
}

/* --- counting ------------------------------------------------------------- */

static size_t count(const char *text, int wants_letters)
{
    size_t found = 0;

    while (*text) {
        const size_t blanks = strspn(text, " \n\t\r");
        const size_t length = strcspn(text + blanks, " \n\t\r");
        int has_letters = 0;

        for (size_t i = 0; i < length; i++) {
            const unsigned char letter = (unsigned char) text[blanks + i];

            has_letters = has_letters || isalnum(letter) || letter >= 0xc3;
        }
        found += length > 0 && (has_letters || !wants_letters);
        text += blanks + length;
    }
    return found;
}

size_t spoken_words(const char *text)
{
    return count(text, 1);
}

size_t spoken_tokens(const char *text)
{
    return count(text, 0);
}
