/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_GOODPUT_H
#define REPORTS_MARKDOWN_GOODPUT_H

#include "reports/reduction.h"

#include <stdio.h>

/* What a faster step buys, and at what price. */
void markdown_gain(const struct reduction *reduction, FILE *out);
/* The table of steps: expected, measured, verdict. */
void markdown_goodput(const struct reduction *reduction, FILE *out);

#endif
