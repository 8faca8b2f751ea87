/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/table.h"

/* How each kind of exchange is reduced: one row a kind. */
/* clang-format off */
const struct report_kind *const report_kinds[] = {
    &ping_report,
    &download_report,
    &messages_report,
    &timing_report,
    NULL,
};
/* clang-format on */
