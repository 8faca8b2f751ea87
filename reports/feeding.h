/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_FEEDING_H
#define REPORTS_FEEDING_H

#include "reports/reduction.h"

/*
 * When a download's sender began, on the receiver's clock.  Both know the
 * ordered start on their own; but an end that never heard of a later one has
 * begun before it.
 */
#define FEEDING_AMISS_NS NS_PER_S

static inline uint64_t feeding_ordered_ns(const struct account_record *account)
{
    return account->start_ns ? account->start_ns : account->account.begun_ns;
}

static inline int64_t
feeding_to_receiver_ns(const struct exchange_record *exchange)
{
    return (int64_t) feeding_ordered_ns(&exchange->to_account)
           - (int64_t) feeding_ordered_ns(&exchange->from_account);
}

/* How much later than ordered it began; 0: as ordered, or not known. */
static inline int64_t feeding_late_ns(const struct account_record *account)
{
    const int64_t late_ns = (int64_t) account->account.begun_ns
                            - (int64_t) feeding_ordered_ns(account);

    return account->is_there && account->account.begun_ns
                   && (late_ns > (int64_t) FEEDING_AMISS_NS
                       || -late_ns > (int64_t) FEEDING_AMISS_NS)
               ? late_ns
               : 0;
}

static inline uint64_t feeding_begun_ns(const struct exchange_record *exchange)
{
    return feeding_ordered_ns(&exchange->to_account)
           + (uint64_t) feeding_late_ns(&exchange->from_account);
}

#endif
