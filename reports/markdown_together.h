/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_TOGETHER_H
#define REPORTS_MARKDOWN_TOGETHER_H

#include "reports/reduction.h"

#include <stdio.h>

/* "While others use the link": round trips and confirmations under load beside
 * idle ones, the total, and how the stations shared it; nothing where no
 * exchanges ran at once. */
void markdown_together(const struct reduction *reduction, FILE *out);

#endif
