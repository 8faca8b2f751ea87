/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_USES_H
#define REPORTS_MARKDOWN_USES_H

#include "reports/reduction.h"

#include <stdio.h>

/* "What it is good for", from the measured figures of each step; nothing where
 * no goodput was measured. */
void markdown_uses(const struct reduction *reduction, FILE *out);

#endif
