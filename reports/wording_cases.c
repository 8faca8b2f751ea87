/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/wording_cases.h"

#include <ctype.h>

static void append_case(char *text, size_t size, const struct finding *finding)
{
    append(text, size, "%s → %s on %s", finding->from, finding->to,
           finding->step);
}

void append_more(char *text, size_t size, size_t count)
{
    if (count > CASES_MOST)
        append(text, size, " and %zu more", count - CASES_MOST);
}

void append_cases(char *text, size_t size, const struct rows *table,
                  enum verdict verdict, const char *one, const char *several)
{
    size_t count = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        if (finding->verdict != (int) verdict || wording_doubt(finding)
            || count++ >= CASES_MOST)
            continue;
        append(text, size, "%s", count > 1 ? ", " : " ");
        append_case(text, size, finding);
        if (isfinite(wording_share_ratio(finding)))
            append(text, size, " (%.0f %% of expected)",
                   100 * wording_share_ratio(finding));
    }
    append_more(text, size, count);
    if (count)
        append(text, size, " %s.", count == 1 ? one : several);
}

/* --- where a doubt took the verdict --------------------------------------- */

static bool is_doubted_so(const struct finding *finding, const char *doubt)
{
    const char *own = wording_doubt(finding);

    return own && strcmp(own, doubt) == 0;
}

static bool is_told_before(const struct rows *table, size_t row,
                           const char *doubt)
{
    for (size_t i = 0; i < row; i++) {
        if (is_doubted_so(rows_at(table, i), doubt))
            return true;
    }
    return false;
}

static void append_doubt(char *text, size_t size, const struct rows *table,
                         const char *doubt)
{
    size_t count = 0, named = 0;

    for (size_t i = 0; i < table->count; i++)
        count += is_doubted_so(rows_at(table, i), doubt);
    append(text, size, " No verdict");
    for (size_t i = 0; count < table->count && i < table->count; i++) {
        if (!is_doubted_so(rows_at(table, i), doubt) || named == CASES_MOST)
            continue;
        append(text, size, "%s", named++ ? ", " : " on ");
        append_case(text, size, rows_at(table, i));
    }
    if (count < table->count)
        append_more(text, size, count);
    append(text, size, ": %s.", doubt);
}

void append_doubted(char *text, size_t size, const struct rows *table)
{
    for (size_t i = 0; i < table->count; i++) {
        const char *doubt = wording_doubt(rows_at(table, i));

        if (doubt && !is_told_before(table, i, doubt))
            append_doubt(text, size, table, doubt);
    }
}

/* --- by number ------------------------------------------------------------ */

void append_in_cases(char *text, size_t size, size_t count, size_t all_count,
                     const char *words)
{
    if (all_count == 1)
        append(text, size, " %c%s.", toupper((unsigned char) words[0]),
               words + 1);
    else if (count < all_count)
        append(text, size, " In %zu of %zu cases %s.", count, all_count, words);
    else if (count == 2)
        append(text, size, " In both cases %s.", words);
    else
        append(text, size, " In all %zu cases %s.", count, words);
}
