/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_SHORTFALL_H
#define REPORTS_MARKDOWN_SHORTFALL_H

#include "reports/reduction.h"

#include <stdio.h>

/* "Why it falls short": what dominates, what to try, and the parts, for each
 * download that was taken apart; nothing where none was. */
void markdown_shortfall(const struct reduction *reduction, FILE *out);

#endif
