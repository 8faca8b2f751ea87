/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/wording.h"

#include "reports/append.h"

#include <bothends/characters.h>
#include <bothends/kinds.h>
#include <ctype.h>
#include <time.h>

/* --- what ran beside ------------------------------------------------------ */

bool wording_is_alone(const char *condition)
{
    return !condition[0] || strcmp(condition, "idle") == 0;
}

/* The part of "ping + ping + download" that stands at the front; moves on. */
static size_t take_part(const char **text, const char **ret_part)
{
    static const char joint[] = " + ";
    const char *end = strstr(*text, joint);
    const size_t length = end ? (size_t) (end - *text) : strlen(*text);

    *ret_part = *text;
    *text = end ? end + strlen(joint) : *text + length;
    return length;
}

/* "ping ferry > mill" with an arrow; from here on it is for people. */
static void append_part(char *text, size_t size, const char *part,
                        size_t length)
{
    static const struct {
        const char *typed, *shown;
    } arrows[] = { { " <> ", " ↔ " }, { " > ", " → " } };

    for (size_t i = 0; i < COUNT_OF(arrows); i++) {
        const char *arrow = strstr(part, arrows[i].typed);

        if (!arrow || arrow >= part + length)
            continue;
        const size_t before = (size_t) (arrow - part);
        const size_t used = before + strlen(arrows[i].typed);

        append(text, size, "%.*s%s%.*s", (int) before, part, arrows[i].shown,
               (int) (length - used), part + used);
        return;
    }
    append(text, size, "%.*s", (int) length, part);
}

/* "3 pings", "2 × messages" */
static void append_times(char *text, size_t size, unsigned count,
                         const char *part, size_t length)
{
    const bool is_plural = length && part[length - 1] == 's';

    append(text, size, "%u %s", count, is_plural ? "× " : "");
    append_part(text, size, part, length);
    append(text, size, "%s", is_plural ? "" : "s");
}

void wording_condition(const char *condition, char *ret_text, size_t size)
{
    ret_text[0] = '\0';
    while (*condition) {
        const char *part, *other;
        const size_t length = take_part(&condition, &part);
        const char *rest = condition;
        unsigned count = 1;

        while (*rest && take_part(&rest, &other) == length
               && strncmp(part, other, length) == 0) {
            count++;
            condition = rest;
        }
        append(ret_text, size, "%s",
               !ret_text[0] ? ""
               : *condition ? ", "
                            : " and ");
        if (count > 1)
            append_times(ret_text, size, count, part, length);
        else
            append_part(ret_text, size, part, length);
    }
}

bool wording_is_loaded(const char *condition)
{
    static const char *const light[] = { "ping", "timing" };

    if (wording_is_alone(condition))
        return false;
    while (*condition) {
        const char *part;
        bool is_light = false;

        (void) take_part(&condition, &part);
        for (size_t i = 0; i < COUNT_OF(light); i++)
            is_light =
                is_light || strncmp(part, light[i], strlen(light[i])) == 0;
        if (!is_light)
            return true;
    }
    return false;
}

const char *wording_doubt(const struct finding *finding)
{
    static const char begin[] = "no verdict: ";

    return finding->verdict == VERDICT_UNDECIDED
                   && strncmp(finding->why, begin, strlen(begin)) == 0
               ? finding->why + strlen(begin)
               : NULL;
}

uint64_t wording_late_count(const struct exchange_record *exchange)
{
    const struct ping_outcome *outcome =
        (const void *) exchange->from_account.account.outcome.bytes;

    return strcmp(exchange->kind->name, ping_kind.name) == 0
                   && exchange->from_account.is_there
               ? outcome->late_count
               : 0;
}

/* --- foreign text --------------------------------------------------------- */

/* A blank in place of a control of ASCII, which may stand between words. */
void wording_clean(const char *text, char *ret_text, size_t size)
{
    size_t used = 0, length;

    for (; *text; text += length) {
        const uint32_t code = character_at(text, &length);
        const char *shown = code < 0x80 ? " " : "?";
        size_t shown_length = 1;

        if (character_is_clean(code)) {
            shown = text;
            shown_length = length;
        }
        if (used + shown_length >= size)
            break;
        (void) memcpy(ret_text + used, shown, shown_length);
        used += shown_length;
    }
    ret_text[used] = '\0';
}

void wording_escape(FILE *out, const char *text)
{
    char clean[1024];
    bool is_number_so_far = true;

    wording_clean(text, clean, sizeof(clean));
    /* Blanks in front would make it code. */
    const char *const begin = clean + strspn(clean, " ");

    for (const char *at = begin; *at; at++) {
        const bool begins_list =
            (at == begin && strchr("-+=", *at))
            || (at > begin && is_number_so_far && strchr(".)", *at)
                && (at[1] == ' ' || at[1] == '\0'));

        if (*at == '<')
            (void) fputs("&lt;", out);
        else if (*at == '>')
            (void) fputs("&gt;", out);
        else if (*at == '&')
            (void) fputs("&amp;", out);
        else if (begins_list || strchr("\\`*_[]|#!~$^{}", *at))
            (void) fprintf(out, "\\%c", *at);
        else
            (void) fputc(*at, out);
        is_number_so_far = is_number_so_far && isdigit((unsigned char) *at);
    }
}

/* --- figures -------------------------------------------------------------- */

int wording_decimals(double half_width, int most)
{
    if (!(half_width > 0) || !isfinite(half_width))
        return most;
    const double decimals = -floor(log10(half_width / 2));

    if (decimals < 0)
        return 0;
    return decimals > most ? most : (int) decimals;
}

static void print_number(double value, int decimals, char *ret_text,
                         size_t size)
{
    if (isnan(value))
        (void) snprintf(ret_text, size, "–");
    else if (isinf(value))
        (void) snprintf(ret_text, size, "∞");
    else
        (void) snprintf(ret_text, size, "%.*f", decimals, value);
    /* Nothing is not less than nothing: -0.00 for a small negative number. */
    if (ret_text[0] == '-' && strspn(ret_text, "-0.") == strlen(ret_text))
        (void) memmove(ret_text, ret_text + 1, strlen(ret_text));
}

static int decimals_of(const struct finding *finding, double unit, int most)
{
    double half = (finding->high - finding->low) / 2;

    /* An infinite or missing end leaves the other one, or the value. */
    if (!isfinite(half) && isfinite(finding->low))
        half = finding->value - finding->low;
    if (!(half > 0) || !isfinite(half))
        half = fabs(isfinite(finding->value) ? finding->value : finding->low)
               / 100;
    return wording_decimals(half / unit, most);
}

void wording_figure(const struct finding *finding, double unit, int most,
                    char ret_text[FIGURE_SIZE])
{
    const int decimals = decimals_of(finding, unit, most);
    char value[20];
    char low[16];
    char high[16];

    print_number(finding->value / unit, decimals, value, sizeof(value));
    print_number(finding->low / unit, decimals, low, sizeof(low));
    print_number(finding->high / unit, decimals, high, sizeof(high));
    if (isnan(finding->value) || (isnan(finding->low) && isnan(finding->high))
        || isinf(finding->low)) /* then all of it is infinite */
        (void) snprintf(ret_text, FIGURE_SIZE, "%s", value);
    else
        (void) snprintf(ret_text, FIGURE_SIZE, "%s (%s–%s)", value, low, high);
}

void wording_expected(const struct finding *finding, double unit,
                      char ret_text[FIGURE_SIZE])
{
    const struct finding range = { .value = finding->expected_low,
                                   .low = finding->expected_low,
                                   .high = finding->expected_high };
    const int of_range = decimals_of(&range, unit, 3);
    const int of_value =
        isfinite(finding->value) ? decimals_of(finding, unit, 3) : of_range;
    const int decimals = of_value > of_range ? of_value : of_range;

    if (isnan(finding->expected_low))
        (void) snprintf(ret_text, FIGURE_SIZE, "–");
    else if (finding->expected_low == finding->expected_high)
        (void) snprintf(ret_text, FIGURE_SIZE, "%.*f", decimals,
                        finding->expected_low / unit);
    else
        (void) snprintf(ret_text, FIGURE_SIZE, "%.*f–%.*f", decimals,
                        finding->expected_low / unit, decimals,
                        finding->expected_high / unit);
}

void wording_significant(double value, int digits, char ret_text[FIGURE_SIZE])
{
    if (!isfinite(value) || value == 0) {
        print_number(value, 0, ret_text, FIGURE_SIZE);
        return;
    }
    const int places = digits - 1 - (int) floor(log10(fabs(value)));
    const double unit = pow(10, -places);

    if (places <= 0) {
        (void) snprintf(ret_text, FIGURE_SIZE, "%.0f",
                        round(value / unit) * unit);
        return;
    }
    (void) snprintf(ret_text, FIGURE_SIZE, "%.*f", places, value);
    for (char *end = ret_text + strlen(ret_text) - 1;
         strchr(ret_text, '.') && (*end == '0' || *end == '.'); end--) {
        const bool is_point = *end == '.';

        *end = '\0';
        if (is_point)
            break;
    }
}

double wording_share_ratio(const struct finding *finding)
{
    return finding->value
           / ((finding->expected_low + finding->expected_high) / 2);
}

void wording_share(const struct finding *finding, char ret_text[FIGURE_SIZE])
{
    const double share = wording_share_ratio(finding);

    if (isfinite(share))
        (void) snprintf(ret_text, FIGURE_SIZE, "%.0f %%", 100 * share);
    else
        (void) snprintf(ret_text, FIGURE_SIZE, "–");
}

void wording_date(uint64_t unix_ns, char *ret_text, size_t size)
{
    /* Not strftime's: a locale must not change a report. */
    static const char *const months[] = {
        "January", "February", "March",     "April",   "May",      "June",
        "July",    "August",   "September", "October", "November", "December",
    };
    const time_t seconds = (time_t) (unix_ns / NS_PER_S);
    struct tm utc;

    if (gmtime_r(&seconds, &utc))
        (void) snprintf(ret_text, size, "%d %s %d, %02d:%02d", utc.tm_mday,
                        months[utc.tm_mon], utc.tm_year + 1900, utc.tm_hour,
                        utc.tm_min);
    else
        (void) snprintf(ret_text, size, "?");
}

/* --- tables --------------------------------------------------------------- */

static bool is_same_line(const struct finding *a, const struct finding *b)
{
    return strcmp(a->measure, b->measure) == 0 && a->plan_index == b->plan_index
           && strcmp(a->step, b->step) == 0 && strcmp(a->from, b->from) == 0
           && strcmp(a->to, b->to) == 0
           && strcmp(a->condition, b->condition) == 0;
}

static bool has_combined(const struct rows *findings,
                         const struct finding *single)
{
    for (size_t i = 0; i < findings->count; i++) {
        const struct finding *finding = rows_at(findings, i);

        if (finding->round == 0 && is_same_line(finding, single))
            return true;
    }
    return false;
}

static bool is_in_table(const struct rows *findings,
                        const struct finding *finding, const char *measure,
                        const char *step)
{
    return strcmp(finding->measure, measure) == 0
           && (!step || strcmp(finding->step, step) == 0)
           && (finding->round == 0 || !has_combined(findings, finding));
}

/* A download beside others of its like: what it got of the whole is told with
 * the shares, and no expectation for one alone is held against it. */
static bool is_told_as_share(const struct rows *findings,
                             const struct finding *finding)
{
    if (strcmp(finding->condition, "idle") == 0
        || (strcmp(finding->measure, "goodput_steady") != 0
            && strcmp(finding->measure, "gain") != 0))
        return false;
    for (size_t i = 0; i < findings->count; i++) {
        const struct finding *share = rows_at(findings, i);

        if (strcmp(share->measure, "share_goodput") == 0
            && strcmp(share->step, finding->step) == 0
            && strcmp(share->from, finding->from) == 0
            && strcmp(share->to, finding->to) == 0
            && strcmp(share->condition, finding->condition) == 0)
            return true;
    }
    return false;
}

struct rows wording_table(const struct reduction *reduction,
                          const char *measure)
{
    const struct plan *plan = reduction->plan;
    const struct rows *findings = &reduction->findings;
    struct rows table = { .row_size = sizeof(struct finding) };

    for (size_t step = 0; step < plan->step_count; step++) {
        for (size_t i = 0; i < findings->count; i++) {
            const struct finding *finding = rows_at(findings, i);

            if (is_in_table(findings, finding, measure, plan->steps[step].name)
                && !is_told_as_share(findings, finding))
                *(struct finding *) rows_add(&table) = *finding;
        }
    }
    /* Of steps that the plan no longer has. */
    for (size_t i = 0; i < findings->count; i++) {
        const struct finding *finding = rows_at(findings, i);

        if (plan_find_step(plan, finding->step) == plan->step_count
            && is_in_table(findings, finding, measure, NULL))
            *(struct finding *) rows_add(&table) = *finding;
    }
    return table;
}

bool wording_is_alike(const struct finding *one, const struct finding *other)
{
    return one->round == other->round && one->plan_index == other->plan_index
           && strcmp(one->exchange, other->exchange) == 0
           && strcmp(one->step, other->step) == 0
           && strcmp(one->from, other->from) == 0
           && strcmp(one->to, other->to) == 0
           && strcmp(one->condition, other->condition) == 0;
}

/* Two pairs that run at once between the same ends have the same names when
 * all rounds are put together: the n-th row goes with the n-th figure. */
static size_t number_among_alike(const struct rows *table, size_t row)
{
    size_t number = 0;

    for (size_t i = 0; i < row; i++)
        number += wording_is_alike(rows_at(table, i), rows_at(table, row));
    return number;
}

const struct finding *wording_beside(const struct reduction *reduction,
                                     const struct rows *table, size_t row,
                                     const char *measure)
{
    size_t number = number_among_alike(table, row);

    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, measure) == 0
            && wording_is_alike(finding, rows_at(table, row)) && number-- == 0)
            return finding;
    }
    return NULL;
}

struct verdict_counts wording_counts(const struct rows *table)
{
    struct verdict_counts counts = { 0 };

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        counts.meets += finding->verdict == VERDICT_MEETS;
        counts.is_short += finding->verdict == VERDICT_SHORT;
        counts.exceeds += finding->verdict == VERDICT_EXCEEDS;
        counts.undecided += finding->verdict == VERDICT_UNDECIDED;
        counts.unjudged +=
            finding->verdict == VERDICT_NONE && !isnan(finding->value);
        counts.missing += isnan(finding->value) != 0;
    }
    return counts;
}
