/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_OFFSETS_H
#define REPORTS_TIMING_OFFSETS_H

#include "reports/one_way.h"

/*
 * What one timing exchange found of two ends' clocks holds for the next between
 * the same two, but for what clocks drift in the meantime: beside a download,
 * whose queues let no packet through quickly, the clocks would else be known as
 * badly as the queues are long.
 */
void timing_keep_offset(struct reduction *reduction, size_t exchange,
                        const struct one_way *delays);

/* Narrows what is known of the delays by the earlier ones that say most. */
void timing_use_offset(const struct reduction *reduction, size_t exchange,
                       struct one_way *delays);

#endif
