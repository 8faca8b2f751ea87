/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_FOREIGN_H
#define REPORTS_FOREIGN_H

#include "reports/reduction.h"

/*
 * Traffic that is not ours, by an end's interface counters: what they counted
 * less the most that the exchanges at that end can have sent on purpose.  The
 * estimate of our own traffic is a middle one; here everything uncertain counts
 * as ours: an acknowledgement for every segment, connections' opening and
 * closing, HTTP's heads, identifications, neighbour discovery.
 */
struct foreign {
    double counted_bytes; /* without link-layer headers */
    double own_bytes;     /* at the most */
    double bytes;         /* foreign, at the least; 0: none */
    double share_ratio;   /* of counted_bytes */
};

/* False: it can't be told. */
bool foreign_weigh(const struct reduction *reduction,
                   const struct exchange_record *exchange,
                   const struct account_record *account,
                   struct foreign *ret_foreign);

/* Counters of 32 bits, as some systems and drivers keep, begin anew after 4 GB;
 * where only those of bytes went backwards, they are counted on. */
bool foreign_has_wrapped(const struct exchange_account *account);
/* They went backwards otherwise: the interface was made anew. */
bool foreign_is_unknown(const struct exchange_account *account);

#endif
