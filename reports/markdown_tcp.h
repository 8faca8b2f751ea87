/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_TCP_H
#define REPORTS_MARKDOWN_TCP_H

#include "reports/reduction.h"

#include <stdio.h>

/* What TCP told of itself in the downloads; nothing where it told nothing. */
void markdown_tcp(const struct reduction *reduction, FILE *out);

#endif
