/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_NEWSLETTER_H
#define REPORTS_NEWSLETTER_H

#include "reports/reduction.h"

#include <stdio.h>

/*
 * newsletter.md: a short piece for club members who are not network people.
 * Between NEWSLETTER_LEAST and NEWSLETTER_MOST words, one small table, one
 * chart, nothing that the verdicts do not carry.  charts: rows of struct
 * chart_file, as they were written.
 */
#define NEWSLETTER_LEAST 150
#define NEWSLETTER_MOST  250

void newsletter_write(const struct reduction *reduction,
                      const struct rows *charts, FILE *out);

#endif
