/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_MESSAGES_H
#define REPORTS_MARKDOWN_MESSAGES_H

#include "reports/reduction.h"

#include <stdio.h>

/* The report's section on messages; nothing where there were none. */
void markdown_messages(const struct reduction *reduction, FILE *out);

#endif
