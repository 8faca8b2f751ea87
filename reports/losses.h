/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_LOSSES_H
#define REPORTS_LOSSES_H

#include "reports/statistics.h"

#include <stdbool.h>

/*
 * The share that was lost, in the order of sending.  Losses on a radio come in
 * bursts, and then so many probes say less than they would by themselves: the
 * interval counts them as n (1 - r1) / (1 + r1) with r1 the correlation of
 * neighbours (the AR(1) effective size), in Wilson's formula, wherever that
 * correlation is shown.
 */
struct losses {
    uint64_t count, lost_count;
    uint64_t pairs_lost_count; /* lost, and so was the one before */
    bool is_first_lost, is_last_lost;
};

/* The next one that was sent; all zero at first. */
void losses_add(struct losses *losses, bool is_lost);

/* Lag-1 autocorrelation of the losses; NaN: none or all were lost. */
double losses_lag1(const struct losses *losses);
/* As many as they are where no correlation is shown. */
double losses_effective_count(const struct losses *losses);
/* Of the share lost; level: 0.95 ...  NaN: nothing was sent. */
struct estimate losses_interval(const struct losses *losses, double level);

#endif
