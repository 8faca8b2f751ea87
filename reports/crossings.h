/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CROSSINGS_H
#define REPORTS_CROSSINGS_H

#include "reports/arrival_order.h"
#include "reports/reduction.h"

/*
 * What became of every probe of a timing exchange, each way by itself: the
 * sender's record of what it sent and got back, joined by the probes' numbers
 * with the reflector's record of what reached it.
 */
enum way_of_two {
    WAY_THERE, /* from -> to, as the exchange is named: the probes */
    WAY_BACK,  /* the replies */
    WAYS_OF_TWO
};

/* One probe.  Sent by the clock of the end that sends that way, arrived by that
 * of the end that receives. */
struct crossing {
    struct {
        bool is_sent, has_arrived;
        bool has_stamps; /* both, of one that arrived */
        int64_t sent_ns, arrived_ns;
    } ways[WAYS_OF_TWO];
    bool is_answered; /* within the waiting time */
    bool is_after_pause;
};

struct crossings {
    struct rows probes; /* of struct crossing, in the order of sending */
    struct arrival_order orders[WAYS_OF_TWO];
    struct copies copies[WAYS_OF_TWO];
    uint64_t least_ttl, most_ttl; /* of the replies; 0: not known */
    /* The reflector's account is not there: what came twice to it is not known,
     * nor what became of so many last probes. */
    bool is_near_only;
    size_t untold_count;
};

/* Probes that the system refused to send are left out.  The sender's account
 * must be there.  The caller clears in any case. */
int crossings_read(const struct reduction *reduction,
                   const struct exchange_record *exchange,
                   struct crossings *ret_crossings, struct fault *fault);
void crossings_clear(struct crossings *crossings);

/* Are all four stamps there? */
bool crossing_has_trip(const struct crossing *crossing);
/* Round trip without the time at the reflector, of one that has it. */
int64_t crossing_trip_ns(const struct crossing *crossing);

#endif
