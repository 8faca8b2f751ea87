/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REPORT_H
#define REPORTS_REPORT_H

#include <bothends/fault.h>
#include <bothends/findings.h>
#include <bothends/plan.h>
#include <bothends/rows.h>
#include <sqlite3.h>

/*
 * The reducer and the writers.  The logbook is borrowed and only read.  No
 * sockets, no clock: the same logbook and plan give the same bytes.
 */

/* Findings of one run, as rows of struct finding (the caller clears them). */
int reduce_run(sqlite3 *logbook, int64_t run, const struct plan *plan,
               struct rows *ret_findings, struct fault *fault);

struct report_summary {
    char sentence[1024]; /* the run in one sentence, and where it breaks */
    size_t meets_count, short_count, exceeds_count, undecided_count;
    size_t nothing_count; /* exchanges that brought nothing at all */
    bool has_break;       /* on the ladder of landmarks */
    char title[128];
};

/* report.md, results.json, results.csv and charts/ in the folder (made when it
 * is not there). */
int report_write(sqlite3 *logbook, int64_t run, const struct plan *plan,
                 const char *folder, struct report_summary *ret_summary,
                 struct fault *fault);

/* The same without addresses and exact positions: reports/public.h. */
int report_write_public(sqlite3 *logbook, int64_t run, const struct plan *plan,
                        const char *folder, struct report_summary *ret_summary,
                        struct fault *fault);

#endif
