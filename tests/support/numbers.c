/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/numbers.h"

#include "reports/shortfall.h"
#include "tests/support/told.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CELLS_MOST 16
#define CELL_SIZE  400

struct checking {
    const json_t *findings;
    char heads[CELLS_MOST][CELL_SIZE], cells[CELLS_MOST][CELL_SIZE];
    size_t head_count, cell_count;
    char step[CELL_SIZE], from[CELL_SIZE], to[CELL_SIZE]; /* of the row */
    size_t checked_count;
    char objection[NUMBERS_OBJECTION_SIZE]; /* the first one; "": none */
};

static void object(struct checking *checking, const char *what,
                   const char *text)
{
    if (!checking->objection[0])
        (void) snprintf(checking->objection, sizeof(checking->objection),
                        "%s: '%.300s' (%.60s, %.60s > %.60s)", what, text,
                        checking->step, checking->from, checking->to);
}

/* --- cells ---------------------------------------------------------------- */

/* Without the escapes that keep it from acting as markdown. */
static size_t unescape(const char *text, size_t length, char *ret_text,
                       size_t size)
{
    size_t used = 0;

    for (size_t i = 0; i < length && used + 1 < size; i++) {
        if (text[i] == '\\' && i + 1 < length)
            i++;
        ret_text[used++] = text[i];
    }
    while (used && ret_text[used - 1] == ' ')
        used--;
    ret_text[used] = '\0';
    return used;
}

static size_t split(const char *line, char cells[CELLS_MOST][CELL_SIZE])
{
    size_t count = 0;
    const char *at = line + 1;

    while (*at && *at != '\n' && count < CELLS_MOST) {
        const char *end = at;

        while (*end && *end != '\n' && *end != '|')
            end += *end == '\\' && end[1] ? 2 : 1;
        if (*end != '|')
            return count;
        at += strspn(at, " ");
        (void) unescape(at, (size_t) (end - at), cells[count++], CELL_SIZE);
        at = end + 1;
    }
    return count;
}

static const char *cell_of(const struct checking *checking, const char *head)
{
    for (size_t i = 0; i < checking->head_count; i++) {
        if (strcmp(checking->heads[i], head) == 0)
            return i < checking->cell_count ? checking->cells[i] : NULL;
    }
    return NULL;
}

/* "quay → mill, beside 6 × ping" */
static void split_way(const char *way, char from[CELL_SIZE], char to[CELL_SIZE])
{
    static const char arrow[] = " → ";
    const char *found = strstr(way, arrow);

    from[0] = to[0] = '\0';
    if (!found)
        return;
    (void) snprintf(from, CELL_SIZE, "%.*s", (int) (found - way), way);
    found += strlen(arrow);
    (void) snprintf(to, CELL_SIZE, "%.*s", (int) strcspn(found, ",( :"), found);
}

/* --- one cell against a finding ------------------------------------------- */

/* "49.1 (48.6–49.6)": the value, or the value and its interval. */
static bool is_figure(const char *cell, const json_t *finding, double unit)
{
    struct told value, low, high;
    const char *at = told_read(cell, &value);

    if (!at || !told_is(&value, told_member(finding, "value") / unit))
        return false;
    if (strncmp(at, " (", 2) != 0)
        return true;
    at = told_read(at + 2, &low);
    at = at ? told_read(at + strlen("–"), &high) : NULL;
    return at && told_is(&low, told_member(finding, "low") / unit)
           && told_is(&high, told_member(finding, "high") / unit);
}

/* "47.7–49.8" */
static bool is_expected(const char *cell, const json_t *finding, double unit)
{
    struct told low, high;
    const char *at = told_read(cell, &low);

    if (!at || !told_is(&low, told_member(finding, "expected_low") / unit))
        return false;
    if (strncmp(at, "–", strlen("–")) != 0)
        high = low;
    else if (!told_read(at + strlen("–"), &high))
        return false;
    return told_is(&high, told_member(finding, "expected_high") / unit);
}

static double middle_of(const json_t *finding)
{
    return (told_member(finding, "expected_low")
            + told_member(finding, "expected_high"))
           / 2;
}

static bool is_number(const char *cell, double value)
{
    struct told told;

    return told_read(cell, &told) && told_is(&told, value);
}

static bool is_verdict(const char *cell, const json_t *finding)
{
    const char *verdict =
        json_string_value(json_object_get(finding, "verdict"));

    return verdict && strcmp(cell, verdict[0] ? verdict : "–") == 0;
}

enum form {
    FORM_FIGURE,
    FORM_EXPECTED,
    FORM_MIDDLE, /* of what was expected */
    FORM_SHARE,  /* of that, in % */
    FORM_VERDICT,
    FORM_SAMPLES
};

static bool is_told(const char *cell, const json_t *finding, enum form form,
                    double unit)
{
    switch (form) {
    case FORM_FIGURE:
        return is_figure(cell, finding, unit);
    case FORM_EXPECTED:
        return is_expected(cell, finding, unit);
    case FORM_MIDDLE:
        return is_number(cell, middle_of(finding) / unit);
    case FORM_SHARE:
        return is_number(cell, 100 * told_member(finding, "value")
                                   / middle_of(finding));
    case FORM_VERDICT:
        return is_verdict(cell, finding);
    case FORM_SAMPLES:
        return is_number(cell, told_member(finding, "samples"));
    }
    return false;
}

/* --- tables --------------------------------------------------------------- */

/* What stands under a heading, in the table that has the mark among its. */
/* clang-format off */
static const struct column {
    const char *mark, *heading, *measure, *or_else;
    enum form form;
    double unit;
} columns[] = {
    { "measured, steady", "expected", "goodput_steady", NULL, FORM_EXPECTED, 1e3 },
    { "measured, steady", "measured, steady", "goodput_steady", NULL, FORM_FIGURE, 1e3 },
    { "measured, steady", "of expected", "goodput_steady", NULL, FORM_SHARE, 1 },
    { "measured, steady", "verdict", "goodput_steady", NULL, FORM_VERDICT, 1 },
    { "measured, steady", "whole transfer", "goodput_whole", NULL, FORM_FIGURE, 1e3 },
    { "probes", "probes", "loss", NULL, FORM_SAMPLES, 1 },
    { "probes", "loss", "loss", NULL, FORM_FIGURE, 0.01 },
    { "probes", "expected median", "rtt_p50", NULL, FORM_EXPECTED, 1e-3 },
    { "probes", "least", "rtt_least", NULL, FORM_FIGURE, 1e-3 },
    { "probes", "p50", "rtt_p50", NULL, FORM_FIGURE, 1e-3 },
    { "probes", "p90", "rtt_p90", NULL, FORM_FIGURE, 1e-3 },
    { "probes", "p95", "rtt_p95", NULL, FORM_FIGURE, 1e-3 },
    { "probes", "p99", "rtt_p99", NULL, FORM_FIGURE, 1e-3 },
    { "messages", "messages", "unconfirmed", NULL, FORM_SAMPLES, 1 },
    { "messages", "unconfirmed", "unconfirmed", NULL, FORM_FIGURE, 0.01 },
    { "messages", "expected median", "confirmed_p50", NULL, FORM_EXPECTED, 1 },
    { "messages", "verdict", "confirmed_p50", NULL, FORM_VERDICT, 1 },
    { "messages", "p50", "confirmed_p50", NULL, FORM_FIGURE, 1 },
    { "messages", "p90", "confirmed_p90", NULL, FORM_FIGURE, 1 },
    { "messages", "p95", "confirmed_p95", NULL, FORM_FIGURE, 1 },
    { "entitled to", "entitled to", "share_goodput", NULL, FORM_MIDDLE, 0.01 },
    { "entitled to", "goodput", "share_goodput", NULL, FORM_FIGURE, 0.01 },
    { "entitled to", "airtime", "share_airtime", NULL, FORM_FIGURE, 0.01 },
    { "entitled to", "kbit/s", "goodput_steady", "goodput_whole", FORM_FIGURE, 1e3 },
    { "times idle", "p50, ms", "rtt_under_load_p50", "confirmed_under_load_p50", FORM_FIGURE, 1e-3 },
    { "times idle", "times idle", "rtt_load_ratio", "confirmed_load_ratio", FORM_FIGURE, 1 },
    /* Of the answered ones alone: no other heading than these. */
    { NULL, "p50", "rtt_answered_p50", NULL, FORM_FIGURE, 1e-3 },
    { NULL, "p90", "rtt_answered_p90", NULL, FORM_FIGURE, 1e-3 },
    { NULL, "p95", "rtt_answered_p95", NULL, FORM_FIGURE, 1e-3 },
    { NULL, "p99", "rtt_answered_p99", NULL, FORM_FIGURE, 1e-3 },
};
/* clang-format on */

static bool has_mark(const struct checking *checking, const char *mark)
{
    for (size_t i = 0; i < checking->head_count; i++) {
        if (strcmp(checking->heads[i], mark) == 0)
            return true;
    }
    return false;
}

static const struct column *column_of(const struct checking *checking,
                                      const char *heading)
{
    const bool is_answered =
        checking->head_count > 2 && strcmp(checking->heads[2], "p50") == 0;

    for (size_t i = 0; i < COUNT_OF(columns); i++) {
        if (strcmp(columns[i].heading, heading) == 0
            && (columns[i].mark ? has_mark(checking, columns[i].mark)
                                : is_answered))
            return &columns[i];
    }
    return NULL;
}

static bool is_any_told(const struct checking *checking, const char *cell,
                        const char *measure, enum form form, double unit,
                        bool *ret_has_value)
{
    const struct told_key key = { measure, checking->step, checking->from,
                                  checking->to };
    const char *const member =
        form == FORM_EXPECTED || form == FORM_MIDDLE ? "expected_low" : "value";
    const json_t *finding;
    size_t index = 0;

    while ((finding = told_next(checking->findings, &key, &index))) {
        if (is_told(cell, finding, form, unit))
            return true;
        /* "–" tells that there is none. */
        *ret_has_value = *ret_has_value && !isnan(told_member(finding, member));
        if (strcmp(cell, "–") == 0 && isnan(told_member(finding, member)))
            return true;
    }
    return false;
}

static void check_cell(struct checking *checking, const struct column *column,
                       const char *cell)
{
    bool has_value = true;

    if (is_any_told(checking, cell, column->measure, column->form, column->unit,
                    &has_value)
        || (column->or_else
            && is_any_told(checking, cell, column->or_else, column->form,
                           column->unit, &has_value))) {
        checking->checked_count++;
        return;
    }
    const struct told_key key = { column->measure, checking->step,
                                  checking->from, checking->to };
    size_t index = 0;

    /* No finding at all: nothing is told. */
    if (strcmp(cell, "–") == 0 && !told_next(checking->findings, &key, &index))
        return;
    object(checking, column->heading, cell);
}

/* --- tables of their own kind --------------------------------------------- */

/* "98.2–99.0": the least and the most of some findings. */
static bool is_spread(const char *cell, double least, double most)
{
    struct told low, high;
    const char *at = told_read(cell, &low);

    if (!at)
        return false;
    if (strncmp(at, "–", strlen("–")) != 0)
        high = low;
    else if (!told_read(at + strlen("–"), &high))
        return false;
    told_significant(&low, 2);
    told_significant(&high, 2);
    return told_is(&low, least) && told_is(&high, most);
}

static bool is_alone(const json_t *finding)
{
    return strcmp(json_string_value(json_object_get(finding, "condition")),
                  "idle")
           == 0;
}

static void check_tcp_cell(struct checking *checking, const char *measure,
                           double sign, double unit, const char *cell)
{
    const bool is_row_alone = checking->from[0] != '\0';
    const struct told_key key = { measure, checking->step,
                                  is_row_alone ? checking->from : NULL,
                                  is_row_alone ? checking->to : NULL };
    double least = (double) INFINITY, most = -(double) INFINITY;
    const json_t *finding;
    size_t index = 0;

    while ((finding = told_next(checking->findings, &key, &index))) {
        const double value = (1 + sign * told_member(finding, "value")) / unit;

        if (is_alone(finding) != is_row_alone || isnan(value))
            continue;
        least = fmin(least, value);
        most = fmax(most, value);
    }
    if (is_spread(cell, least, most))
        checking->checked_count++;
    else
        object(checking, measure, cell);
}

static void check_part(struct checking *checking)
{
    const char *part = cell_of(checking, "part");
    char measure[64];

    for (int i = 0; i < SHORTFALL_PARTS; i++) {
        if (strncmp(part, shortfall_part_words[i],
                    strlen(shortfall_part_words[i]))
            != 0)
            continue;
        (void) snprintf(measure, sizeof(measure), "shortfall_%s",
                        shortfall_part_names[i]);
        const struct column column = { NULL, "kbit/s",    measure,
                                       NULL, FORM_FIGURE, 1e3 };

        check_cell(checking, &column, cell_of(checking, "kbit/s"));
        return;
    }
    object(checking, "part", part);
}

static void check_rung(struct checking *checking)
{
    const struct column pings = {
        NULL, "pings", "loss", NULL, FORM_SAMPLES, 1
    };

    (void) snprintf(checking->to, CELL_SIZE, "%s", cell_of(checking, "end"));
    check_cell(checking, &pings, cell_of(checking, "pings"));
}

static void check_setting(struct checking *checking);

static void check_row(struct checking *checking)
{
    if (cell_of(checking, "part")) {
        check_part(checking);
        return;
    }
    if (cell_of(checking, "landmark")) {
        check_rung(checking);
        return;
    }
    check_setting(checking);
    if (!cell_of(checking, "step") || !cell_of(checking, "direction"))
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%s", cell_of(checking, "step"));
    split_way(cell_of(checking, "direction"), checking->from, checking->to);
    if (cell_of(checking, "sent again, %")) {
        check_tcp_cell(checking, "tcp_efficiency", -1, 0.01,
                       cell_of(checking, "sent again, %"));
        check_tcp_cell(checking, "buffer_delay", 1, 1,
                       cell_of(checking, "round trip, times the least"));
        return;
    }
    for (size_t i = 2; i < checking->cell_count; i++) {
        const struct column *column = column_of(checking, checking->heads[i]);

        if (column)
            check_cell(checking, column, checking->cells[i]);
    }
}

/* --- sentences ------------------------------------------------------------ */

/* The text between two words, from the place where the first one stands. */
static const char *between(const char *text, const char *before,
                           const char *after, char ret_text[CELL_SIZE])
{
    const char *from = strstr(text, before);
    const char *to = from ? strstr(from + strlen(before), after) : NULL;

    ret_text[0] = '\0';
    if (!to)
        return NULL;
    from += strlen(before);
    (void) snprintf(ret_text, CELL_SIZE, "%.*s", (int) (to - from), from);
    return to;
}

static void check_number(struct checking *checking, const char *text,
                         const char *measure, const char *member, double unit,
                         int digits)
{
    const struct told_key key = { measure,
                                  checking->step[0] ? checking->step : NULL,
                                  checking->from[0] ? checking->from : NULL,
                                  checking->to[0] ? checking->to : NULL };
    const json_t *finding;
    struct told told;
    size_t index = 0;

    if (!told_read(text, &told)) {
        object(checking, measure, text);
        return;
    }
    if (digits)
        told_significant(&told, digits);
    while ((finding = told_next(checking->findings, &key, &index))) {
        const double value =
            strcmp(member, "share") == 0
                ? told_member(finding, "value") / middle_of(finding)
                : told_member(finding, member);

        if (told_is(&told, value / unit)) {
            checking->checked_count++;
            return;
        }
    }
    object(checking, measure, text);
}

/* "- From *calm* to *brisk*, mill → quay: 2.02 times the goodput (between 1.99
 * and 2.05)" */
static void check_gain(struct checking *checking, const char *line)
{
    char way[CELL_SIZE];
    const char *at = between(line, "* to *", "*, ", checking->step);

    if (!at || !between(at, "*, ", ": ", way))
        return;
    split_way(way, checking->from, checking->to);
    at = strstr(at, ": ") + 2;
    check_number(checking, at, "gain", "value", 1, 0);
    check_number(checking, strstr(at, "(between ") + 9, "gain", "low", 1, 0);
    check_number(checking, strstr(at, " and ") + 5, "gain", "high", 1, 0);
}

/* "- From mill to quay on calm: half of the messages were confirmed within
 * 0.17 s, nine in ten within 0.22 s." */
static void check_confirmed(struct checking *checking, const char *line)
{
    static const char *const measures[] = { "confirmed_p50", "confirmed_p90",
                                            "confirmed_p95" };
    const char *at = between(line, "From ", " to ", checking->from);

    at = at ? between(at, " to ", " on ", checking->to) : NULL;
    if (!at)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%.*s",
                    (int) strcspn(at + 4, ":,"), at + 4);
    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        at = strstr(at, " within ");
        if (!at)
            return;
        at += strlen(" within ");
        check_number(checking, at, measures[i], "value", 1, 2);
    }
}

/* "- On *calm* all downloads at once carried 46 (42–50) kbit/s of the 47.7–49.7
 * that ...; Jain's index of fairness 0.999 (at least 0.972;" */
static void check_total(struct checking *checking, const char *line)
{
    const char *carried = strstr(line, "carried ");
    const char *index = strstr(line, "fairness ");

    (void) between(line, "On *", "* all", checking->step);
    checking->from[0] = checking->to[0] = '\0';
    check_number(checking, carried + 8, "goodput_total", "value", 1e3, 0);
    check_number(checking, strstr(carried, "(") + 1, "goodput_total", "low",
                 1e3, 0);
    if (!index)
        return;
    check_number(checking, index + 9, "fairness", "value", 1, 0);
    check_number(checking, strstr(index, "at least ") + 9, "fairness", "low", 1,
                 0);
}

/* Titles: "calm, mill → quay: steady at 31.3 kbit/s, 98 % of expected";
 * "calm: half of the round trips within 112 to 171 ms". */
static void check_title(struct checking *checking, const char *title)
{
    static const char steady[] = "steady at ", within[] = " within ";
    const char *at = strstr(title, steady);
    const char *colon = strstr(title, ": ");
    struct told ignored;

    if (!colon)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%.*s",
                    (int) strcspn(title, ",:"), title);
    checking->from[0] = checking->to[0] = '\0';
    if (at) {
        split_way(strstr(title, ", ") + 2, checking->from, checking->to);
        check_number(checking, at + strlen(steady), "goodput_steady", "value",
                     1e3, 0);
        at = strstr(at, "kbit/s, ");
        if (at)
            check_number(checking, at + 8, "goodput_steady", "share", 0.01, 0);
        return;
    }
    at = strstr(title, within);
    if (!at || !strstr(title, "half of the "))
        return;
    at += strlen(within);
    const char *measure =
        strstr(title, "round trips") ? "rtt_p50" : "confirmed_p50";
    const char *behind = told_read(at, &ignored);
    const bool is_range = behind && strncmp(behind, " to ", 4) == 0;
    const char *unit = is_range ? told_read(behind + 4, &ignored) : behind;
    const double unit_s = unit && strncmp(unit, " ms", 3) == 0 ? 1e-3 : 1;

    check_number(checking, at, measure, "value", unit_s, 3);
    if (is_range)
        check_number(checking, behind + 4, measure, "value", unit_s, 3);
}

/* "**On *calm*, mill → quay (round 1):** From mill ...": for the table below.
 */
static void note_place(struct checking *checking, const char *line)
{
    char way[CELL_SIZE];

    (void) between(line, "**On *", "*, ", checking->step);
    if (between(line, "*, ", " (round", way))
        split_way(way, checking->from, checking->to);
}

static void check_sentence(struct checking *checking, const char *line)
{
    char clean[2048], share[CELL_SIZE];
    const size_t length = strcspn(line, "\n");

    if (length >= sizeof(clean))
        return;
    (void) unescape(line, length, clean, sizeof(clean));
    if (strncmp(clean, "- From *", 8) == 0)
        check_gain(checking, clean);
    else if (strncmp(clean, "- From ", 7) == 0)
        check_confirmed(checking, clean);
    else if (strstr(clean, "all downloads at once carried "))
        check_total(checking, clean);
    else if (strncmp(clean, "![", 2) == 0)
        check_title(checking, clean + 2);
    else if (strncmp(clean, "**On *", 6) == 0)
        note_place(checking, clean);
    else if (between(clean, "From *", "* on step *", share)) {
        (void) snprintf(checking->from, CELL_SIZE, "%s", share);
        (void) between(clean, "* on step *", "*:", checking->step);
    } else if (between(clean, "control traffic: ", " % of all bytes", share)) {
        checking->step[0] = checking->from[0] = checking->to[0] = '\0';
        check_number(checking, strchr(share, ',') + 2, "control_share", "value",
                     0.01, 0);
    }
}

/* --- the newsletter ------------------------------------------------------- */

/* It rounds to powers of ten: noughts at the end may stand for anything. */
static bool is_spoken(const char *text, double value)
{
    struct told told;

    if (!told_read(text, &told))
        return false;
    while (told.half_digit >= 0.5 && told.value > 0
           && fmod(told.value, 20 * told.half_digit) == 0)
        told.half_digit *= 10;
    return told_is(&told, value);
}

static bool is_any_spoken(const struct checking *checking, const char *text,
                          bool is_promise)
{
    static const char *const measures[] = { "goodput_steady", "goodput_whole" };

    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        const struct told_key key = { measures[i], checking->step, NULL, NULL };
        const json_t *finding;
        size_t index = 0;

        while ((finding = told_next(checking->findings, &key, &index))) {
            const double value =
                is_promise ? middle_of(finding) : told_member(finding, "value");

            if (is_spoken(text, value / 1e3))
                return true;
        }
    }
    return false;
}

/* "| canter | 64 | 61 to 63 |" */
static void check_setting(struct checking *checking)
{
    const char *promised = cell_of(checking, "promised, kbit/s");
    const char *measured = cell_of(checking, "measured, kbit/s");

    if (!promised)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%s",
                    cell_of(checking, "setting"));
    if (strcmp(promised, "not known") != 0
        && !is_any_spoken(checking, promised, true))
        object(checking, "promised", promised);
    if (strncmp(measured, "no figure", 9) == 0)
        return;
    if (!is_any_spoken(checking, measured, false))
        object(checking, "measured", measured);
    checking->checked_count += 2;
    measured = strstr(measured, " to ");
    if (measured && !is_any_spoken(checking, measured + 4, false))
        object(checking, "measured", measured);
}

/* --- the whole ------------------------------------------------------------ */

static void check_text(struct checking *checking, const char *text)
{
    const char *before = "";
    bool is_table = false;

    for (const char *line = text; *line;) {
        const size_t length = strcspn(line, "\n");

        if (length > 2 && strspn(line, "|-: ") >= length) {
            checking->head_count = split(before, checking->heads);
            is_table = true;
        } else if (*line == '|' && is_table) {
            checking->cell_count = split(line, checking->cells);
            check_row(checking);
        } else {
            is_table = false;
            check_sentence(checking, line);
        }
        before = line;
        line += length + (line[length] == '\n');
    }
}

void numbers_check(const char *text, const json_t *findings,
                   struct numbers_found *ret_found)
{
    struct checking *checking = calloc(1, sizeof(*checking));

    if (!checking)
        abort();
    checking->findings = findings;
    check_text(checking, text);
    ret_found->checked_count = checking->checked_count;
    (void) snprintf(ret_found->objection, sizeof(ret_found->objection), "%s",
                    checking->objection);
    free(checking);
}
