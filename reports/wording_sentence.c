/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/append.h"
#include "reports/wording.h"

#include <ctype.h>

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

static void append_case(char *text, size_t size, const struct finding *finding)
{
    append(text, size, "%s → %s on %s", finding->from, finding->to,
           finding->step);
}

/* Cases that are told by name; the table has the others. */
#define CASES_MOST 4

static void append_more(char *text, size_t size, size_t count)
{
    if (count > CASES_MOST)
        append(text, size, " and %zu more", count - CASES_MOST);
}

/* one: what is said of a single case; several: of more. */
static void append_cases(char *text, size_t size, const struct rows *table,
                         enum verdict verdict, const char *one,
                         const char *several)
{
    size_t count = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        if (finding->verdict != (int) verdict || count++ >= CASES_MOST)
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

/* " In 2 of 6 cases it is so."; of the only case there is, plainly. */
static void append_in_cases(char *text, size_t size, size_t count,
                            size_t all_count, const char *words)
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

/* --- where nothing came --------------------------------------------------- */

static bool gave_nothing(const struct reduction *reduction,
                         const struct rows *table, size_t row)
{
    const struct finding *steady = rows_at(table, row);
    const struct finding *whole =
        wording_beside(reduction, table, row, "goodput_whole");

    return isnan(steady->value) && whole && isnan(whole->value);
}

/* Did anything at all come back: an echo, a confirmation? */
static bool is_any_answered(const struct reduction *reduction)
{
    static const char *const measures[] = { "loss", "unconfirmed" };
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

static void say_missing(char *text, size_t size,
                        const struct reduction *reduction,
                        const struct rows *table, size_t missing_count)
{
    size_t nothing_count = 0;

    for (size_t i = 0; i < table->count; i++)
        nothing_count += gave_nothing(reduction, table, i);
    if (nothing_count == table->count) {
        append(text, size,
               is_any_answered(reduction)
                   ? " No download brought any data."
                   : " The link does not work: nothing came through.");
        return;
    }
    for (size_t i = 0, count = 0; i < table->count; i++) {
        if (!gave_nothing(reduction, table, i) || count >= CASES_MOST)
            continue;
        append(text, size, "%s",
               count++ ? ", " : " No data came through from ");
        const struct finding *nothing = rows_at(table, i);

        append(text, size, "%s to %s on %s", nothing->from, nothing->to,
               nothing->step);
    }
    if (nothing_count) {
        append_more(text, size, nothing_count);
        append(text, size, ".");
    }
    if (missing_count > nothing_count)
        append_in_cases(
            text, size, missing_count - nothing_count, table->count,
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
    if (counts->unjudged)
        append_in_cases(text, size, counts->unjudged, table->count,
                        "data came through, but there is nothing to hold the "
                        "figure against");
    if (counts->missing)
        say_missing(text, size, reduction, table, counts->missing);
}

/* Echoes beside downloads tell of the queues, and are counted apart. */
struct echoes {
    uint64_t sent_count, late_count;
    double lost_count; /* with the late ones */
};

static struct echoes count_echoes(const struct reduction *reduction,
                                  const struct rows *losses, bool is_loaded)
{
    struct echoes echoes = { 0 };

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (wording_is_loaded(exchange->condition) == is_loaded)
            echoes.late_count += wording_late_count(exchange);
    }
    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *finding = rows_at(losses, i);

        if (isnan(finding->value)
            || wording_is_loaded(finding->condition) != is_loaded)
            continue;
        echoes.lost_count += finding->value * (double) finding->samples_count;
        echoes.sent_count += finding->samples_count;
    }
    return echoes;
}

/* where: "" or " beside other traffic". */
static void say_echoes_of(char *text, size_t size, const struct echoes *echoes,
                          const char *where)
{
    const double late_count =
        fmin((double) echoes->late_count, echoes->lost_count);
    const double lost_count = echoes->lost_count - late_count;

    if (!echoes->sent_count)
        return;
    if (echoes->lost_count < 0.5) {
        append(text, size, " All %llu echoes%s were answered.",
               (unsigned long long) echoes->sent_count, where);
        return;
    }
    if (lost_count > (double) echoes->sent_count - 0.5) {
        append(text, size, " None of %llu echoes%s was answered.",
               (unsigned long long) echoes->sent_count, where);
        return;
    }
    append(text, size, " Of %llu echoes%s",
           (unsigned long long) echoes->sent_count, where);
    if (late_count >= 0.5)
        append(text, size, " %.0f were answered too late", late_count);
    if (lost_count >= 0.5)
        append(text, size, "%s %.0f were lost",
               late_count >= 0.5 ? ", and" : "", lost_count);
    append(text, size, ".");
}

static void say_echoes(char *text, size_t size,
                       const struct reduction *reduction)
{
    struct rows losses = wording_table(reduction, "loss");
    const struct echoes idle = count_echoes(reduction, &losses, false);
    const struct echoes loaded = count_echoes(reduction, &losses, true);

    rows_clear(&losses);
    say_echoes_of(text, size, &idle, "");
    say_echoes_of(text, size, &loaded, " beside other traffic");
}

static void say_messages(char *text, size_t size,
                         const struct reduction *reduction)
{
    struct rows table = wording_table(reduction, "unconfirmed");
    double unconfirmed = 0;
    uint64_t sent_count = 0;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (isnan(finding->value))
            continue;
        unconfirmed += finding->value * (double) finding->samples_count;
        sent_count += finding->samples_count;
    }
    rows_clear(&table);
    if (!sent_count)
        return;
    if (unconfirmed < 0.5)
        append(text, size, " All %llu messages were confirmed.",
               (unsigned long long) sent_count);
    else
        append(text, size, " Of %llu messages %.0f were not confirmed in time.",
               (unsigned long long) sent_count, unconfirmed);
}

/* What is not as it should be; that it is goes without saying. */
static void say_confirmations(char *text, size_t size,
                              const struct reduction *reduction)
{
    struct rows table = wording_table(reduction, "confirmed_p50");
    const struct verdict_counts counts = wording_counts(&table);

    if (counts.is_short || counts.exceeds)
        append(text, size, " Times to confirmation:");
    append_cases(text, size, &table, VERDICT_SHORT, "is longer than it should",
                 "are longer than they should");
    append_cases(text, size, &table, VERDICT_EXCEEDS,
                 "is shorter than it can be, so something is not as stated",
                 "are shorter than they can be, so something is not as stated");
    rows_clear(&table);
}

/* The link's verdict is of downloads alone on it, if there are any: the others
 * are held against shares, in a section of their own. */
static struct rows goodput_table(const struct reduction *reduction)
{
    struct rows all = wording_table(reduction, "goodput_steady");
    struct rows alone = { .row_size = all.row_size };

    for (size_t i = 0; i < all.count; i++) {
        const struct finding *finding = rows_at(&all, i);

        if (!wording_is_loaded(finding->condition))
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
    say_echoes(ret_text, size, reduction);
    say_messages(ret_text, size, reduction);
    say_confirmations(ret_text, size, reduction);
    if (!ret_text[0])
        append(ret_text, size, "Nothing was measured.");
    if (ret_text[0] == ' ')
        (void) memmove(ret_text, ret_text + 1, strlen(ret_text));
    rows_clear(&table);
}
