/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_COMMANDS_OUTCOME_H
#define CONTROLLER_COMMANDS_OUTCOME_H

#include "controller/commands/command.h"
#include "controller/logbook.h"
#include "controller/plan/reader.h"

#include <bothends/plan.h>

/* What the commands share that end with a report of a stored run. */

/* Write the report, tell the summary and where the files are.  out "": a
 * folder bothends-<run>.  Returns the exit status. */
int outcome_report(const char *command, struct logbook *logbook,
                   const struct logbook_run *run, const struct plan *plan,
                   const char *out);

/* The same with more wishes. */
struct outcome_wish {
    const char *out; /* "": bothends-<run>, or bothends-<run>-public */
    bool html;       /* report.html too */
    bool is_public;  /* without addresses and exact positions */
    bool is_silent;  /* the files are written, nothing is told */
};
int outcome_report_as(const char *command, struct logbook *logbook,
                      const struct logbook_run *run, const struct plan *plan,
                      const struct outcome_wish *wish);

/* A plan's mistakes, and, where it names what is not known, which version does
 * not know it. */
void outcome_print_mistakes(const char *command, const char *path,
                            const struct plan_mistakes *mistakes);

/* Read a plan's file; what is wrong is printed, and after a file that can't be
 * read the hint, in brackets; "": none.  0 or a negative UV_E... code. */
int outcome_read_plan_file(const char *command, const char *path,
                           const char *hint, struct plan *ret_plan);

/* Read the plan that a run was started with; mistakes are printed. */
int outcome_read_plan(const char *command, const struct logbook_run *run,
                      struct plan *ret_plan);

/* A run's number among the arguments; UV_EINVAL when it is none, which is
 * told. */
int outcome_read_number(const char *command, const char *text,
                        int64_t *ret_run);

/* A fault as the program says it; returns the exit status that fits. */
int outcome_fault(const char *command, const struct fault *fault);

/* "2026-03-01 14:05:09", UTC */
void outcome_date(uint64_t unix_ns, char *ret_text, size_t size);

#endif
