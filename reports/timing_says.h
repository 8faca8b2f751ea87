/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TIMING_SAYS_H
#define REPORTS_TIMING_SAYS_H

#include "reports/wording.h"

/*
 * In words, which way loses and which way waits.  ways: the table of
 * "one_way_loss", each exchange's way there and its way back.
 */
void timing_say(const struct reduction *reduction, const struct rows *ways,
                FILE *out);

/* Are those the two ways of one exchange, packets and replies? */
bool timing_is_other_way(const struct finding *there,
                         const struct finding *back);

/* For the run in one sentence: " Of 60 stamped packets ..."; nothing where none
 * ran. */
void timing_say_losses(char *text, size_t size,
                       const struct reduction *reduction);

#endif
