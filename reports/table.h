/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TABLE_H
#define REPORTS_TABLE_H

#include "reports/reduction.h"

/* Each kind's own row; reports/table.c lists them. */
extern const struct report_kind ping_report;
extern const struct report_kind download_report;
extern const struct report_kind messages_report;
extern const struct report_kind timing_report;

#endif
