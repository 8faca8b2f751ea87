/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/wording_cases.h"

/* The run in one sentence, or a few. */

static size_t count_steps(const struct rows *table)
{
    size_t count = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);
        bool is_new = true;

        for (size_t k = 0; k < i; k++)
            is_new = is_new
                     && strcmp(((struct finding *) rows_at(table, k))->step,
                               finding->step)
                            != 0;
        count += is_new;
    }
    return count;
}

static bool is_both_ways(const struct rows *table)
{
    const struct finding *first = table->count ? rows_at(table, 0) : NULL;

    for (size_t i = 1; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        if (strcmp(finding->from, first->to) == 0
            && strcmp(finding->to, first->from) == 0)
            return true;
    }
    return false;
}

/* --- where nothing came --------------------------------------------------- */

/* Why a download has no figure at all; NULL: it has one. */
static const char *why_nothing(const struct reduction *reduction,
                               const struct rows *table, size_t row)
{
    const struct finding *steady = rows_at(table, row);
    const struct finding *whole =
        wording_beside(reduction, table, row, "goodput_whole");

    return isnan(steady->value) && whole && isnan(whole->value) ? whole->why
                                                                : NULL;
}

static bool gave_nothing(const struct reduction *reduction,
                         const struct rows *table, size_t row)
{
    const char *why = why_nothing(reduction, table, row);

    return why && strcmp(why, NOTHING_ARRIVED) == 0;
}

/* The receiver's account is missing: perhaps all of it came. */
static bool is_unknown(const struct reduction *reduction,
                       const struct rows *table, size_t row)
{
    const char *why = why_nothing(reduction, table, row);

    return why && strcmp(why, NOTHING_ARRIVED) != 0;
}

/* Did anything at all come back: an echo, a confirmation? */
static bool is_any_answered(const struct reduction *reduction)
{
    static const char *const measures[] = { "loss", "unconfirmed",
                                            "one_way_loss" };
    bool is_any = false;

    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        struct rows losses = wording_table(reduction, measures[i]);

        for (size_t j = 0; j < losses.count; j++)
            is_any =
                is_any
                || ((const struct finding *) rows_at(&losses, j))->value < 1;
        rows_clear(&losses);
    }
    return is_any;
}

static void append_ways(char *text, size_t size,
                        const struct reduction *reduction,
                        const struct rows *table, const char *words,
                        bool (*is_one)(const struct reduction *reduction,
                                       const struct rows *table, size_t row))
{
    size_t count = 0;

    for (size_t i = 0; i < table->count; i++) {
        if (!is_one(reduction, table, i) || count++ >= CASES_MOST)
            continue;
        const struct finding *way = rows_at(table, i);

        append(text, size, "%s%s to %s on %s", count > 1 ? ", " : words,
               way->from, way->to, way->step);
    }
    append_more(text, size, count);
}

static void say_unknown(char *text, size_t size,
                        const struct reduction *reduction,
                        const struct rows *table)
{
    const char *why = NULL;

    for (size_t i = 0; i < table->count && !why; i++) {
        if (is_unknown(reduction, table, i))
            why = why_nothing(reduction, table, i);
    }
    append_ways(text, size, reduction, table, " What came through from ",
                is_unknown);
    append(text, size, " is not known: %s.", why);
}

static void say_missing(char *text, size_t size,
                        const struct reduction *reduction,
                        const struct rows *table, size_t missing_count)
{
    size_t nothing_count = 0, unknown_count = 0;

    for (size_t i = 0; i < table->count; i++) {
        nothing_count += gave_nothing(reduction, table, i);
        unknown_count += is_unknown(reduction, table, i);
    }
    if (nothing_count == table->count) {
        append(text, size,
               is_any_answered(reduction)
                   ? " No download brought any data."
                   : " The link does not work: nothing came through.");
        return;
    }
    if (nothing_count) {
        append_ways(text, size, reduction, table, " No data came through from ",
                    gave_nothing);
        append(text, size, ".");
    }
    if (unknown_count)
        say_unknown(text, size, reduction, table);
    if (missing_count > nothing_count + unknown_count)
        append_in_cases(
            text, size, missing_count - nothing_count - unknown_count,
            table->count,
            "there is no steady goodput, only that of the whole transfer");
}

static void say_all_meet(char *text, size_t size, const struct rows *table)
{
    const size_t steps = count_steps(table);
    const struct finding *first = rows_at(table, 0);
    const char *ways = is_both_ways(table) ? "in both directions"
                                           : "in the direction that was run";

    if (steps == 1)
        append(text, size,
               "The link works %s on %s: it carries what the step should "
               "carry.",
               ways, first->step);
    else
        append(text, size,
               "The link works %s on %s that were run: it carries what each "
               "step should carry.",
               ways, steps == 2 ? "both steps" : "all steps");
}

static void say_some(char *text, size_t size, const struct reduction *reduction,
                     const struct rows *table,
                     const struct verdict_counts *counts)
{
    if (counts->meets)
        append_in_cases(text, size, counts->meets, table->count,
                        "the link carries what it should");
    append_cases(text, size, table, VERDICT_SHORT, "falls short", "fall short");
    append_cases(text, size, table, VERDICT_EXCEEDS,
                 "carries more than it can, so something is not as stated",
                 "carry more than they can, so something is not as stated");
    append_cases(text, size, table, VERDICT_UNDECIDED, "is undecided",
                 "are undecided");
    append_doubted(text, size, table);
    if (counts->unjudged)
        append_in_cases(text, size, counts->unjudged, table->count,
                        "data came through, but there is nothing to hold the "
                        "figure against");
    if (counts->missing)
        say_missing(text, size, reduction, table, counts->missing);
}

/* The link's verdict is of downloads alone on it, if there are any: the others
 * are held against shares, in a section of their own. */
static struct rows goodput_table(const struct reduction *reduction)
{
    struct rows all = wording_table(reduction, "goodput_steady");
    struct rows alone = { .row_size = all.row_size };

    for (size_t i = 0; i < all.count; i++) {
        const struct finding *finding = rows_at(&all, i);

        if (wording_is_alone(finding->condition))
            *(struct finding *) rows_add(&alone) = *finding;
    }
    if (!alone.count)
        return all;
    rows_clear(&all);
    return alone;
}

void wording_sentence(const struct reduction *reduction, char *ret_text,
                      size_t size)
{
    struct rows table = goodput_table(reduction);
    const struct verdict_counts counts = wording_counts(&table);

    ret_text[0] = '\0';
    if (table.count && counts.meets == table.count)
        say_all_meet(ret_text, size, &table);
    else if (table.count)
        say_some(ret_text, size, reduction, &table, &counts);
    append_answers(ret_text, size, reduction);
    if (!ret_text[0])
        append(ret_text, size, "Nothing was measured.");
    if (ret_text[0] == ' ')
        (void) memmove(ret_text, ret_text + 1, strlen(ret_text));
    rows_clear(&table);
}
