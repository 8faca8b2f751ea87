/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_H
#define REPORTS_MARKDOWN_H

#include "reports/reduction.h"

#include <stdio.h>

/* report.md: charts are rows of struct chart_file. */
void markdown_write(const struct reduction *reduction, const char *sentence,
                    const struct rows *charts, FILE *out);

#endif
