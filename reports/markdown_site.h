/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_SITE_H
#define REPORTS_MARKDOWN_SITE_H

#include "reports/reduction.h"

#include <stdio.h>

/* The site sheet: the ends, the ways between them, the conditions of the day,
 * the channel and the steps, as the plan and the operator say. */
void markdown_site(const struct reduction *reduction, FILE *out);

#endif
