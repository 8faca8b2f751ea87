/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOUBTS_COMPARED_H
#define REPORTS_DOUBTS_COMPARED_H

#include "reports/reduction.h"

/*
 * Doubts that come of comparing: the ways of one exchange with those of the
 * one before it and of the contact (doubts_ways.h), clocks from one exchange
 * to the next, the goodput with what the computer can do.  After the kinds
 * have reduced.
 */
int doubts_add_compared(struct reduction *reduction, struct fault *fault);

#endif
