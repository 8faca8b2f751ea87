/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/clock_line.h"

#include <stdlib.h>

static int by_time(const void *a_, const void *b_)
{
    const struct clock_point *a = a_;
    const struct clock_point *b = b_;

    if (a->at_ns != b->at_ns)
        return a->at_ns < b->at_ns ? -1 : 1;
    return (a->apart_ns > b->apart_ns) - (a->apart_ns < b->apart_ns);
}

/* Does b lie on or above the way from a to c?  Differences are taken as whole
 * numbers: clocks a day apart would cost a double its last digits. */
static bool is_above(const struct clock_point *a, const struct clock_point *b,
                     const struct clock_point *c)
{
    return (double) (b->at_ns - a->at_ns) * (double) (c->apart_ns - a->apart_ns)
           <= (double) (b->apart_ns - a->apart_ns)
                  * (double) (c->at_ns - a->at_ns);
}

/* The corners, in order of time, into an array with room for all points. */
static size_t find_hull(const struct clock_point *points, size_t count,
                        struct clock_point *corners)
{
    size_t used = 0;

    for (size_t i = 0; i < count; i++) {
        if (i && points[i].at_ns == points[i - 1].at_ns)
            continue; /* the lowest of that moment came first */
        while (used > 1
               && is_above(&corners[used - 2], &corners[used - 1], &points[i]))
            used--;
        corners[used++] = points[i];
    }
    return used;
}

static double mean_after_first_ns(const struct clock_point *points,
                                  size_t count)
{
    double sum_ns = 0;

    for (size_t i = 0; i < count; i++)
        sum_ns += (double) (points[i].at_ns - points[0].at_ns);
    return sum_ns / (double) count;
}

bool clock_line_find(struct clock_point *points, size_t count,
                     struct clock_line *ret_line)
{
    if (!count)
        return false;
    struct clock_point *corners = calloc(count, sizeof(*corners));

    if (!corners)
        abort();
    qsort(points, count, sizeof(*points), by_time);
    const size_t used = find_hull(points, count, corners);
    const double mean_ns = mean_after_first_ns(points, count);
    size_t edge = 0;

    while (edge + 2 < used
           && (double) (corners[edge + 1].at_ns - points[0].at_ns) < mean_ns)
        edge++;
    *ret_line = (struct clock_line){ .at_ns = corners[edge].at_ns,
                                     .apart_ns = corners[edge].apart_ns,
                                     .vertex_count = used };
    if (used > 1)
        ret_line->skew_ratio =
            (double) (corners[edge + 1].apart_ns - corners[edge].apart_ns)
            / (double) (corners[edge + 1].at_ns - corners[edge].at_ns);
    free(corners);
    return true;
}

void clock_line_touch(const struct clock_point *points, size_t count,
                      double skew_ratio, struct clock_line *ret_line)
{
    *ret_line = (struct clock_line){ .at_ns = points[0].at_ns,
                                     .apart_ns = points[0].apart_ns,
                                     .skew_ratio = skew_ratio };
    for (size_t i = 1; i < count; i++) {
        if (clock_line_above_ns(ret_line, &points[i]) >= 0)
            continue;
        ret_line->at_ns = points[i].at_ns;
        ret_line->apart_ns = points[i].apart_ns;
    }
}

double clock_line_at_ns(const struct clock_line *line, int64_t at_ns)
{
    return (double) line->apart_ns
           + line->skew_ratio * (double) (at_ns - line->at_ns);
}

double clock_line_above_ns(const struct clock_line *line,
                           const struct clock_point *point)
{
    return (double) (point->apart_ns - line->apart_ns)
           - line->skew_ratio * (double) (point->at_ns - line->at_ns);
}
