/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/numbers_inside.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *numbers_between(const char *text, const char *before,
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

static double value_of(const json_t *finding, const char *member)
{
    if (strcmp(member, "share") == 0)
        return told_member(finding, "value") / numbers_middle(finding);
    if (strcmp(member, "hits") == 0)
        return told_member(finding, "value") * told_member(finding, "samples");
    if (strcmp(member, "half width") == 0)
        return (told_member(finding, "high") - told_member(finding, "low")) / 2;
    return told_member(finding, member);
}

void numbers_check_number(struct checking *checking, const char *text,
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
        numbers_object(checking, measure, text);
        return;
    }
    if (digits)
        told_significant(&told, digits);
    while ((finding = told_next(checking->findings, &key, &index))) {
        if (told_is(&told, value_of(finding, member) / unit)) {
            checking->checked_count++;
            return;
        }
    }
    numbers_object(checking, measure, text);
}

/* "- From *calm* to *brisk*, mill → quay: 2.02 times the goodput (between 1.99
 * and 2.05)" */
static void check_gain(struct checking *checking, const char *line)
{
    char way[CELL_SIZE];
    const char *at = numbers_between(line, "* to *", "*, ", checking->step);

    if (!at || !numbers_between(at, "*, ", ": ", way))
        return;
    numbers_split_way(way, checking->from, checking->to);
    at = strstr(at, ": ") + 2;
    numbers_check_number(checking, at, "gain", "value", 1, 0);
    numbers_check_number(checking, strstr(at, "(between ") + 9, "gain", "low",
                         1, 0);
    numbers_check_number(checking, strstr(at, " and ") + 5, "gain", "high", 1,
                         0);
}

/* "- From mill to quay on calm: half of the messages were confirmed within
 * 0.17 s, nine in ten within 0.22 s." */
static void check_confirmed(struct checking *checking, const char *line)
{
    static const char *const measures[] = { "confirmed_p50", "confirmed_p90",
                                            "confirmed_p95" };
    const char *at = numbers_between(line, "From ", " to ", checking->from);

    at = at ? numbers_between(at, " to ", " on ", checking->to) : NULL;
    if (!at)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%.*s",
                    (int) strcspn(at + 4, ":,"), at + 4);
    for (size_t i = 0; i < COUNT_OF(measures); i++) {
        at = strstr(at, " within ");
        if (!at)
            return;
        at += strlen(" within ");
        numbers_check_number(checking, at, measures[i], "value", 1, 2);
    }
}

/* "- On *calm* the 7 downloads at once to mill carried 46 (42–50) kbit/s of
 * the 47.7–49.7 that ...; Jain's index of fairness 0.999 (at least 0.972;" */
static void check_total(struct checking *checking, const char *line)
{
    const char *carried = strstr(line, "carried ");
    const char *index = strstr(line, "fairness ");

    (void) numbers_between(line, "On *", "* ", checking->step);
    checking->from[0] = checking->to[0] = '\0';
    numbers_check_number(checking, carried + 8, "goodput_total", "value", 1e3,
                         0);
    numbers_check_number(checking, strstr(carried, "(") + 1, "goodput_total",
                         "low", 1e3, 0);
    if (!index)
        return;
    numbers_check_number(checking, index + 9, "fairness", "value", 1, 0);
    numbers_check_number(checking, strstr(index, "at least ") + 9, "fairness",
                         "low", 1, 0);
}

/* Of "171 ms" or "1.2 s". */
static double unit_at(const char *text)
{
    struct told ignored;
    const char *unit = told_read(text, &ignored);

    return unit && strncmp(unit, " ms", 3) == 0 ? 1e-3 : 1;
}

/* "112 to 171 ms": of which figure, the title says. */
static void check_medians(struct checking *checking, const char *title,
                          const char *at)
{
    const bool is_one_way = strstr(title, "packets across");
    const char *measure = is_one_way                     ? "one_way_p50"
                          : strstr(title, "round trips") ? "rtt_p50"
                                                         : "confirmed_p50";
    const int digits = is_one_way ? 2 : 3;
    struct told ignored;
    const char *behind = told_read(at, &ignored);
    const bool is_range = behind && strncmp(behind, " to ", 4) == 0;
    const double unit_s = unit_at(is_range ? behind + 4 : at);
    const char *clocks = strstr(at, "± ");

    numbers_check_number(checking, at, measure, "value", unit_s, digits);
    if (is_range)
        numbers_check_number(checking, behind + 4, measure, "value", unit_s,
                             digits);
    if (clocks)
        numbers_check_number(checking, clocks + strlen("± "), "one_way_least",
                             "half width", unit_at(clocks + strlen("± ")), 2);
    else if (is_one_way)
        numbers_object(checking, "no ± from the clocks", title);
}

/* Titles: "calm, mill → quay: steady at 31.3 kbit/s, 98 % of expected";
 * "calm: half of the round trips within 112 to 171 ms". */
static void check_title(struct checking *checking, const char *title)
{
    static const char steady[] = "steady at ", within[] = " within ";
    const char *at = strstr(title, steady);
    const char *colon = strstr(title, ": ");

    if (!colon)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%.*s",
                    (int) strcspn(title, ",:"), title);
    checking->from[0] = checking->to[0] = '\0';
    if (at) {
        numbers_split_way(strstr(title, ", ") + 2, checking->from,
                          checking->to);
        numbers_check_number(checking, at + strlen(steady), "goodput_steady",
                             "value", 1e3, 0);
        at = strstr(at, "kbit/s, ");
        if (at)
            numbers_check_number(checking, at + 8, "goodput_steady", "share",
                                 0.01, 0);
        return;
    }
    at = strstr(title, within);
    if (!at || !strstr(title, "half of the "))
        return;
    check_medians(checking, title, at + strlen(within));
}

/* "**On *calm*, mill → quay (round 1):** From mill ...": for the table below.
 */
static void note_place(struct checking *checking, const char *line)
{
    char way[CELL_SIZE];

    (void) numbers_between(line, "**On *", "*, ", checking->step);
    if (numbers_between(line, "*, ", " (round", way))
        numbers_split_way(way, checking->from, checking->to);
}

void numbers_check_sentence(struct checking *checking, const char *line)
{
    char clean[2048], share[CELL_SIZE];
    const size_t length = strcspn(line, "\n");

    if (length >= sizeof(clean))
        return;
    (void) numbers_unescape(line, length, clean, sizeof(clean));
    if (strncmp(clean, "- From *", 8) == 0)
        check_gain(checking, clean);
    else if (strncmp(clean, "- From ", 7) == 0)
        check_confirmed(checking, clean);
    else if (strncmp(clean, "- Between ", 10) == 0)
        numbers_check_each_way(checking, clean);
    else if (strstr(clean, "On *") && strstr(clean, " carried "))
        check_total(checking, clean);
    else if (strncmp(clean, "![", 2) == 0)
        check_title(checking, clean + 2);
    else if (strncmp(clean, "**On *", 6) == 0)
        note_place(checking, clean);
    else if (numbers_between(clean, "From *", "* on step *", share)) {
        (void) snprintf(checking->from, CELL_SIZE, "%s", share);
        (void) numbers_between(clean, "* on step *", "*:", checking->step);
    } else if (numbers_between(clean, "control traffic: ", " % of all bytes",
                               share)) {
        checking->step[0] = checking->from[0] = checking->to[0] = '\0';
        numbers_check_number(checking, strchr(share, ',') + 2, "control_share",
                             "value", 0.01, 0);
    }
}
