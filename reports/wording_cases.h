/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_WORDING_CASES_H
#define REPORTS_WORDING_CASES_H

#include "reports/append.h"
#include "reports/wording.h"

/* Cases of a table put into sentences: a few by name, the others by number.
 * Each goes behind what the text holds, with a blank in front. */

/* Cases that are told by name; the table has the others. */
#define CASES_MOST 4

/* " and 3 more" of so many. */
void append_more(char *text, size_t size, size_t count);

/* one: what is said of a single case; several: of more. */
void append_cases(char *text, size_t size, const struct rows *table,
                  enum verdict verdict, const char *one, const char *several);

/* Those that a doubt took the verdict of: for each reason its cases. */
void append_doubted(char *text, size_t size, const struct rows *table);

/* " In 2 of 6 cases it is so."; of the only case there is, plainly. */
void append_in_cases(char *text, size_t size, size_t count, size_t all_count,
                     const char *words);

/* Behind the verdicts of the downloads: reports/wording_answers.c. */
void append_answers(char *text, size_t size, const struct reduction *reduction);

#endif
