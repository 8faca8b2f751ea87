/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CONTACT_RECORD_H
#define REPORTS_CONTACT_RECORD_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <sqlite3.h>

/*
 * What the ends said of themselves and of their ways when contact was proven,
 * from the logbook's run_ends.  What was not said is 0 or "".
 */
struct contact_end {
    char end[ADDRESS_SIZE];
    double loopback_bps; /* of the loopback self-test; 0: not known */
};

struct contact_way_record {
    char end[ADDRESS_SIZE], to[ADDRESS_SIZE];
    char interface[NAME_SIZE], source_address[ADDRESS_SIZE];
    char gateway[ADDRESS_SIZE];
    uint64_t ttl; /* of the answers */
};

struct contact_records {
    struct rows ends; /* of struct contact_end */
    struct rows ways; /* of struct contact_way_record */
};

/* contact_records_clear() in any case. */
int contact_records_load(sqlite3 *logbook, int64_t run,
                         struct contact_records *ret_records,
                         struct fault *fault);
void contact_records_clear(struct contact_records *records);

#endif
