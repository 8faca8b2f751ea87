/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_EXPORT_H
#define REPORTS_EXPORT_H

#include <bothends/fault.h>
#include <sqlite3.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The raw samples of a run as CSV, for other programs.  The columns are those
 * of the field lists, so units stand in their names; every line begins with the
 * exchange and the end, so that files of one sort may be put together.
 *
 *   exchanges.csv            a line an exchange: when, what, which way, seed
 *   accounts.csv             a line an end of it: clocks, way, counters
 *   <kind>-spec.csv          what the plan asked for, a line an exchange
 *   <kind>-outcome.csv       what an end says in the end, a line an end
 *   readings.csv notes.csv   where there are any
 *   <id>/<part>-<series>.csv the samples of one end in one exchange
 *
 * Stamps (…_ns) are of that end's own monotonic clock: accounts.csv has what is
 * needed to bring two ends together.  Files without lines are not written.
 */
struct export_summary {
    size_t file_count;
    uint64_t sample_count; /* lines of the series */
};

int export_write(sqlite3 *logbook, int64_t run, const char *folder,
                 struct export_summary *ret_summary, struct fault *fault);

#endif
