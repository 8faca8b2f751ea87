/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOUBTS_WAYS_H
#define REPORTS_DOUBTS_WAYS_H

#include "reports/reduction.h"

/*
 * Doubts that come of comparing: the ways of one exchange with those of the
 * one before it and of the contact, clocks from one exchange to the next, the
 * goodput with what the computer can do; and whether all that is enough to say
 * that traffic did not cross the radio.  After the kinds have reduced.
 */
int doubts_add_compared(struct reduction *reduction, struct fault *fault);

#endif
