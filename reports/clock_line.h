/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CLOCK_LINE_H
#define REPORTS_CLOCK_LINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * How two clocks run against each other, from packets in one direction: what
 * lies between sending by one clock and arrival by the other is the delay, plus
 * the clocks' offset, plus what they drift apart.  The delay is never less than
 * its least, so the points lie above a line whose slope is the drift.
 *
 * The line is the one of Moon, Skelly and Towsley (INFOCOM 1999): below all
 * points, with the least sum of what lies above it.  That is the edge of the
 * lower hull whose stretch of time holds the mean of the times (so no linear
 * program is needed; Zhang, Liu and Xia, INFOCOM 2002, take the same hull).
 */
struct clock_point {
    int64_t at_ns;    /* when, by one of the clocks */
    int64_t apart_ns; /* the other clock at arrival - one clock at sending */
};

struct clock_line {
    int64_t at_ns, apart_ns; /* a point of it */
    double skew_ratio;       /* its slope: the other clock runs faster by it */
    size_t vertex_count;     /* of the hull */
};

/* Points are put in order of time.  Of one point, or of several in one moment,
 * the line is level through the least; false: there are no points. */
bool clock_line_find(struct clock_point *points, size_t count,
                     struct clock_line *ret_line);

/* The line of that slope that touches the lowest of the points; there must be
 * one. */
void clock_line_touch(const struct clock_point *points, size_t count,
                      double skew_ratio, struct clock_line *ret_line);

/* The line's height at that time. */
double clock_line_at_ns(const struct clock_line *line, int64_t at_ns);

/* How far that point lies above the line: delay beyond the least. */
double clock_line_above_ns(const struct clock_line *line,
                           const struct clock_point *point);

#endif
