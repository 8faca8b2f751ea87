/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_READINGS_H
#define REPORTS_MARKDOWN_READINGS_H

#include "reports/reduction.h"

#include <stdio.h>

/* What the radios told before and after each exchange, a table an end; of many
 * exchanges, before and after each step.  Nothing where none was read. */
void markdown_readings(const struct reduction *reduction, FILE *out);

#endif
