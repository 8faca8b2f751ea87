/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/told.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char infinite[] = "∞";

const char *told_read(const char *text, struct told *ret_told)
{
    char *end;

    if (strncmp(text, infinite, strlen(infinite)) == 0) {
        *ret_told = (struct told){ (double) INFINITY, 0, true };
        return text + strlen(infinite);
    }
    if (!isdigit((unsigned char) text[text[0] == '-']))
        return NULL;
    const double value = strtod(text, &end);
    const char *point = memchr(text, '.', (size_t) (end - text));
    const double decimals = point ? (double) (end - point - 1) : 0;

    /* "12." ends a sentence. */
    if (point && point + 1 == end)
        end--;
    *ret_told = (struct told){ value, 0.5 * pow(10, -decimals), false };
    return end;
}

void told_significant(struct told *told, int digits)
{
    if (told->is_infinite || told->value == 0)
        return;
    const double unit = pow(10, floor(log10(fabs(told->value))) - (digits - 1));

    told->half_digit = fmax(told->half_digit, unit / 2);
}

bool told_is(const struct told *told, double value)
{
    if (told->is_infinite)
        return isinf(value);
    return fabs(told->value - value)
           <= told->half_digit * (1 + 1e-6) + 1e-9 * fabs(value);
}

double told_member(const json_t *finding, const char *member)
{
    const json_t *value = json_object_get(finding, member);

    if (json_is_number(value))
        return json_number_value(value);
    return json_is_string(value) ? (double) INFINITY : (double) NAN;
}

static bool is_same(const json_t *finding, const char *member,
                    const char *wanted)
{
    const char *text = json_string_value(json_object_get(finding, member));

    return !wanted || (text && strcmp(text, wanted) == 0);
}

const json_t *told_next(const json_t *findings, const struct told_key *key,
                        size_t *index)
{
    for (; *index < json_array_size(findings); ++*index) {
        const json_t *finding = json_array_get(findings, *index);

        if (is_same(finding, "measure", key->measure)
            && is_same(finding, "step", key->step)
            && is_same(finding, "from", key->from)
            && is_same(finding, "to", key->to)) {
            ++*index;
            return finding;
        }
    }
    return NULL;
}
