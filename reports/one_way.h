/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_ONE_WAY_H
#define REPORTS_ONE_WAY_H

#include "reports/clock_pair.h"
#include "reports/crossings.h"

/*
 * The delay of each way by itself, from clocks that nobody has set alike.
 *
 * How much longer than the quickest a packet took needs no offset, only the
 * drift.  The quickest itself is known as a range: there and back the quickest
 * took least_sum_s together, and neither took less than the floor (a packet's
 * own airtime on the step, else nothing); so each took the floor at the least,
 * and at the most what is left when the other one did.  No method can narrow
 * that from the stamps alone.
 */
struct way_delay {
    bool is_there;        /* something crossed that way */
    struct range least_s; /* of the quickest; NaN: not known */
};

struct one_way {
    struct clock_pair pair;
    struct way_delay ways[WAYS_OF_TWO];
    double least_sum_s; /* NaN: not both ways */
    double span_s;      /* how long the record is */
    double drift_s;     /* what the clocks may do over it, uncorrected */
    bool is_quick;  /* the quickest came back sooner than the floor allows */
    bool has_slept; /* a clock stood still, as its end says */
    bool has_moved; /* that, or it must have been: of each way nothing is
                       known */
};

/* floor_s: less than that neither way can take; 0: not known. */
void one_way_find(const struct crossings *crossings, double floor_s,
                  struct one_way *ret_delays);

/* Nothing is known of each way: a clock moved. */
void one_way_forget(struct one_way *delays);

/* By what is known of the far clock minus the near one from elsewhere, at the
 * moment of pair.there: where the two don't go together, nothing is taken. */
void one_way_narrow(struct one_way *delays, struct range offset_ns);

/* Beyond the quickest; the packet must have arrived. */
double one_way_above_s(const struct one_way *delays,
                       const struct crossing *crossing, enum way_of_two way);

/* The middle of the quickest's range, and what it may be off. */
double one_way_least_s(const struct one_way *delays, enum way_of_two way);
double one_way_doubt_s(const struct one_way *delays, enum way_of_two way);

#endif
