/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_TRIPS_H
#define REPORTS_MARKDOWN_TRIPS_H

#include "reports/reduction.h"

#include <stdio.h>

/* Round trips and losses of pings. */
void markdown_trips(const struct reduction *reduction, FILE *out);

#endif
