/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/numbers_inside.h"

#include "reports/shortfall.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *cell_of(const struct checking *checking, const char *head)
{
    for (size_t i = 0; i < checking->head_count; i++) {
        if (strcmp(checking->heads[i], head) == 0)
            return i < checking->cell_count ? checking->cells[i] : NULL;
    }
    return NULL;
}

/* "47.7–49.8", or one number for both; false: it is none of them. */
static bool read_range(const char *cell, struct told *ret_low,
                       struct told *ret_high)
{
    const char *at = told_read(cell, ret_low);

    *ret_high = *ret_low;
    return at
           && (strncmp(at, "–", strlen("–")) != 0
               || told_read(at + strlen("–"), ret_high));
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
    return strstr(at, "–") && read_range(at + 2, &low, &high)
           && told_is(&low, told_member(finding, "low") / unit)
           && told_is(&high, told_member(finding, "high") / unit);
}

/* "47.7–49.8" */
static bool is_expected(const char *cell, const json_t *finding, double unit)
{
    struct told low, high;

    return read_range(cell, &low, &high)
           && told_is(&low, told_member(finding, "expected_low") / unit)
           && told_is(&high, told_member(finding, "expected_high") / unit);
}

double numbers_middle(const json_t *finding)
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
        return is_number(cell, numbers_middle(finding) / unit);
    case FORM_SHARE:
        return is_number(cell, 100 * told_member(finding, "value")
                                   / numbers_middle(finding));
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
    { "packets", "packets", "one_way_loss", NULL, FORM_SAMPLES, 1 },
    { "lost", "lost", "one_way_loss", NULL, FORM_FIGURE, 0.01 },
    { "overtaken", "overtaken", "one_way_reordered", NULL, FORM_FIGURE, 0.01 },
    { "twice", "twice", "one_way_duplicated", NULL, FORM_FIGURE, 0.01 },
    { "late p50", "late p50", "delay_variation_p50", NULL, FORM_FIGURE, 1e-3 },
    { "late p90", "late p90", "delay_variation_p90", NULL, FORM_FIGURE, 1e-3 },
    { "late p95", "late p95", "delay_variation_p95", NULL, FORM_FIGURE, 1e-3 },
    { "late p99", "late p99", "delay_variation_p99", NULL, FORM_FIGURE, 1e-3 },
    { "expected quickest", "expected quickest", "one_way_least", NULL, FORM_EXPECTED, 1e-3 },
    { "quickest one way", "quickest one way", "one_way_least", NULL, FORM_FIGURE, 1e-3 },
    { "one way p50", "one way p50", "one_way_p50", NULL, FORM_FIGURE, 1e-3 },
    { "one way p90", "one way p90", "one_way_p90", NULL, FORM_FIGURE, 1e-3 },
    { "one way p95", "one way p95", "one_way_p95", NULL, FORM_FIGURE, 1e-3 },
    { "one way p99", "one way p99", "one_way_p99", NULL, FORM_FIGURE, 1e-3 },
    { "stamped probes", "stamped probes", "rtt_stamped_loss", NULL, FORM_SAMPLES, 1 },
    { "stamped probes", "not back", "rtt_stamped_loss", NULL, FORM_FIGURE, 0.01 },
    { "stamped probes", "expected both ways", "rtt_stamped_p50", NULL, FORM_EXPECTED, 1e-3 },
    { "stamped probes", "quickest both ways", "rtt_stamped_least", NULL, FORM_FIGURE, 1e-3 },
    { "stamped probes", "both ways p50", "rtt_stamped_p50", NULL, FORM_FIGURE, 1e-3 },
    { "stamped probes", "both ways p90", "rtt_stamped_p90", NULL, FORM_FIGURE, 1e-3 },
    { "stamped probes", "both ways p95", "rtt_stamped_p95", NULL, FORM_FIGURE, 1e-3 },
    { "stamped probes", "both ways p99", "rtt_stamped_p99", NULL, FORM_FIGURE, 1e-3 },
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
    numbers_object(checking, column->heading, cell);
}

/* --- tables of their own kind --------------------------------------------- */

/* "98.2–99.0": the least and the most of some findings. */
static bool is_spread(const char *cell, double least, double most)
{
    struct told low, high;

    if (!read_range(cell, &low, &high))
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
        numbers_object(checking, measure, cell);
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
    numbers_object(checking, "part", part);
}

static void check_rung(struct checking *checking)
{
    const struct column pings = {
        NULL, "pings", "loss", NULL, FORM_SAMPLES, 1
    };

    (void) snprintf(checking->to, CELL_SIZE, "%s", cell_of(checking, "end"));
    check_cell(checking, &pings, cell_of(checking, "pings"));
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
            const double value = is_promise ? numbers_middle(finding)
                                            : told_member(finding, "value");

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
        numbers_object(checking, "promised", promised);
    if (strncmp(measured, "no figure", 9) == 0)
        return;
    if (!is_any_spoken(checking, measured, false))
        numbers_object(checking, "measured", measured);
    checking->checked_count += 2;
    measured = strstr(measured, " to ");
    if (measured && !is_any_spoken(checking, measured + 4, false))
        numbers_object(checking, "measured", measured);
}

/* --- a row ---------------------------------------------------------------- */

void numbers_check_row(struct checking *checking)
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
    numbers_split_way(cell_of(checking, "direction"), checking->from,
                      checking->to);
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
