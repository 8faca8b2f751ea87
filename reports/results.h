/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_RESULTS_H
#define REPORTS_RESULTS_H

#include "reports/reduction.h"

#include <stdio.h>

/* results.json and results.csv, as DEVELOPERS.md documents them. */
int results_write_json(const struct reduction *reduction, FILE *out,
                       struct fault *fault);
/* RFC 4180. */
void results_write_csv(const struct rows *findings, FILE *out);

#endif
