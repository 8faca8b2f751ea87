/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOWNLOAD_H
#define REPORTS_DOWNLOAD_H

#include "reports/reduction.h"

/* Figures of single downloads, kept for those over rounds and steps. */
enum download_value {
    VALUE_WHOLE, /* bit/s */
    VALUE_STEADY /* bit/s, with its error and degrees of freedom */
};

/* From the values kept: whole and steady goodput over rounds, and the gain from
 * step to step. */
void download_combine(struct reduction *reduction);

/* The steady goodput of that exchange, all rounds together; false: none.  With
 * fewer than five rounds its error is that within the exchanges. */
bool download_level(const struct reduction *reduction, size_t exchange,
                    struct mean_error *ret_level);

/* download_tcp.c: what the ends' TCP told of itself, as tcp_efficiency and
 * buffer_delay. */
int download_add_tcp(struct reduction *reduction, size_t exchange,
                     struct fault *fault);

#endif
