/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/numbers_inside.h"

#include <stdio.h>
#include <string.h>

/*
 * What a report says of each way by itself:
 * "- Between quay and mill on calm: 10 of 100 packets from quay to mill were
 * lost, none of 90 on the way back: ... Of those that arrived at mill nine in
 * ten were no later than 90 ms behind the quickest, at quay 4.6 ms. A voice
 * call would have to hold back all it hears by 95 ms at mill and by 4.8 ms at
 * quay, ... Of 90 packets that arrived at mill 13 were overtaken on the way,
 * and 7 came more than once."
 */

/* The way that ends there. */
static void take_way_to(struct checking *checking, const char *end,
                        const char *first, const char *second)
{
    const bool is_first = strncmp(end, first, strlen(first)) == 0;

    (void) snprintf(checking->to, CELL_SIZE, "%s", is_first ? first : second);
    (void) snprintf(checking->from, CELL_SIZE, "%s", is_first ? second : first);
}

/* "none of 90": the share is 0. */
static void check_lost(struct checking *checking, const char *at)
{
    static const char none[] = "none of ";
    const bool is_none = strncmp(at, none, strlen(none)) == 0;
    const char *of = strstr(at, " of ");

    numbers_check_number(checking, is_none ? "0" : at, "one_way_loss", "hits",
                         1, 0);
    numbers_check_number(checking, of + 4, "one_way_loss", "samples", 1, 0);
}

/* "90 ms" or "3.1 s" */
static void check_time(struct checking *checking, const char *at,
                       const char *measure, const char *member)
{
    struct told ignored;
    const char *unit = told_read(at, &ignored);
    const bool is_ms = unit && strncmp(unit, " ms", 3) == 0;

    numbers_check_number(checking, at, measure, member, is_ms ? 1e-3 : 1, 2);
}

static void check_losses(struct checking *checking, const char *line,
                         const char *first, const char *second)
{
    const char *colon = strstr(line, ": ");
    const char *back = strstr(line, " were lost, ");

    if (!back)
        return;
    take_way_to(checking, second, first, second);
    check_lost(checking, colon + 2);
    take_way_to(checking, first, first, second);
    check_lost(checking, back + strlen(" were lost, "));
}

static void check_delays(struct checking *checking, const char *line,
                         const char *first, const char *second)
{
    static const char took[] = " took at most ",
                      back_by[] = " on the way back ", clocks_by[] = " (± ";
    const char *there = strstr(line, took);
    const char *back = there ? strstr(there, back_by) : NULL;
    const char *clocks = back ? strstr(back, clocks_by) : NULL;

    if (!there)
        return;
    if (!clocks) {
        numbers_object(checking, "no ± from the clocks", there);
        return;
    }
    take_way_to(checking, second, first, second);
    check_time(checking, there + strlen(took), "one_way_p50", "value");
    check_time(checking, clocks + strlen(clocks_by), "one_way_least",
               "half width");
    take_way_to(checking, first, first, second);
    check_time(checking, back + strlen(back_by), "one_way_p50", "value");
}

static void check_waits(struct checking *checking, const char *line,
                        const char *first, const char *second)
{
    static const char than[] = " no later than ", at_end[] = "quickest, at ";
    const char *measure = strstr(line, "nine in ten") ? "delay_variation_p90"
                                                      : "delay_variation_p50";
    const char *there = strstr(line, than);
    const char *back = there ? strstr(there, at_end) : NULL;

    if (!back)
        return;
    take_way_to(checking, second, first, second);
    check_time(checking, there + strlen(than), measure, "value");
    take_way_to(checking, first, first, second);
    check_time(checking, back + strlen(at_end) + strlen(first) + 1, measure,
               "value");
}

static void check_voice(struct checking *checking, const char *line,
                        const char *first, const char *second)
{
    static const char hears[] = "all it hears by ", and_by[] = " and by ";
    const char *there = strstr(line, hears);
    const char *back = there ? strstr(there, and_by) : NULL;

    if (!back)
        return;
    take_way_to(checking, second, first, second);
    check_time(checking, there + strlen(hears), "delay_variation_p95", "value");
    take_way_to(checking, first, first, second);
    check_time(checking, back + strlen(and_by), "delay_variation_p95", "value");
}

/* " 13 were overtaken on the way, and 7 came more than once" */
static void check_shares(struct checking *checking, const char *line,
                         const char *first, const char *second)
{
    static const char arrived[] = " packets that arrived at ",
                      and_then[] = ", and ";

    for (const char *at = strstr(line, arrived); at;
         at = strstr(at + 1, arrived)) {
        const char *end = at + strlen(arrived);
        const char *stop = strstr(end, ".");
        const char *overtaken = strstr(end, " overtaken");
        const char *twice = strstr(end, " came more");
        const char *then = strstr(end, and_then);
        const char *count = at;

        while (count > line && count[-1] != ' ')
            count--;
        take_way_to(checking, end, first, second);
        end += strlen(checking->to) + 1;
        numbers_check_number(checking, count, "one_way_reordered", "samples", 1,
                             0);
        if (overtaken && overtaken < stop)
            numbers_check_number(checking, end, "one_way_reordered", "hits", 1,
                                 0);
        if (twice && twice < stop)
            numbers_check_number(
                checking, then && then < stop ? then + strlen(and_then) : end,
                "one_way_duplicated", "hits", 1, 0);
    }
}

void numbers_check_each_way(struct checking *checking, const char *line)
{
    char first[CELL_SIZE], second[CELL_SIZE];
    const char *at = numbers_between(line, "Between ", " and ", first);

    at = at ? numbers_between(at, " and ", " on ", second) : NULL;
    if (!at)
        return;
    (void) snprintf(checking->step, CELL_SIZE, "%.*s",
                    (int) strcspn(at + 4, ":,"), at + 4);
    check_losses(checking, line, first, second);
    check_delays(checking, line, first, second);
    check_waits(checking, line, first, second);
    check_voice(checking, line, first, second);
    check_shares(checking, line, first, second);
}
