/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CLOCK_PAIR_H
#define REPORTS_CLOCK_PAIR_H

#include "reports/clock_line.h"

/*
 * Two ends' clocks, from packets that cross both ways.
 *
 * The four stamps of RFC 5905 section 8: sent by the near clock, arrived and
 * sent back by the far clock, received by the near clock.  Differences are
 * taken as whole numbers, as that section asks.
 */
struct four_stamps {
    int64_t sent_ns, arrived_ns, returned_ns, received_ns;
};

/* The far clock minus the near one; wrong by half of what the two ways differ
 * in, and by nothing that could be seen. */
double four_stamps_offset_ns(const struct four_stamps *stamps);
/* There and back, without what the far end held it. */
int64_t four_stamps_trip_ns(const struct four_stamps *stamps);

/* What crystals of computers keep, unless one is broken. */
#define CLOCK_CRYSTAL_RATIO 100e-6
/* Of two clocks that are steered apart, each by the most of RFC 5905 (500 ppm).
 * A slope above that is a queue's. */
#define CLOCK_STEERED_RATIO 1000e-6

/*
 * How the clocks drift apart, and the line of the least delay each way.
 *
 * The far clock's drift tilts both ways alike, in opposite directions, and the
 * whole record like its halves; what traffic does seldom does so.  So the drift
 * is taken for shown only where it is three times what these disagree by (half
 * of what the ways differ in, a quarter of what a way's halves do, for half a
 * record with half the points tells a slope four times as badly) and three
 * times what the points can tell at all (a few of them are near the line by
 * chance: by the next one's height above it, over half of the record), from
 * hulls of five corners or more.  Without the latter one short record in thirty
 * showed a drift that was none.  Elsewhere the lines are level;
 * drift_most_ratio says what the clocks may do all the same.  The further rule
 * of statistics by hulls, that no edge be longer than half of the record, is
 * not asked for: a long edge with two quick packets at its ends is what a good
 * record has.
 */
struct clock_pair {
    bool has_there, has_back;
    struct clock_line there, back; /* slopes: skew_ratio and its opposite */
    bool is_skew_shown;
    double skew_ratio;       /* 0 where it is not shown */
    double drift_most_ratio; /* what may be left of it, either way */
};

/* Each point's time is by the near clock; apart_ns: there the far clock at
 * arrival - the near one at sending, back the near one at arrival - the far one
 * at sending.  Either may have no points.  Points are put in order. */
void clock_pair_find(struct clock_point *there, size_t there_count,
                     struct clock_point *back, size_t back_count,
                     struct clock_pair *ret_pair);

/* The least delay there plus the least delay back, which no offset is part of;
 * both must be there. */
double clock_pair_least_sum_ns(const struct clock_pair *pair);

#endif
