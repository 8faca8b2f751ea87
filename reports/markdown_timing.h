/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_TIMING_H
#define REPORTS_MARKDOWN_TIMING_H

#include "reports/reduction.h"

#include <stdio.h>

/* What stamped probes say of each way by itself; nothing where none ran. */
void markdown_timing(const struct reduction *reduction, FILE *out);

#endif
