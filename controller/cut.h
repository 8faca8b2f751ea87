/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CUT_H
#define CONTROLLER_CUT_H

#include "controller/conductor_state.h"

/*
 * The cut test, on request: with the radio unplugged nothing may come through
 * from the operator's end to the other, and plugged in again it must.  What was
 * seen becomes a note of the class "cut"; answers that still came, one of the
 * class "interface", and the run goes on under that doubt.
 */
int cut_test(struct conductor *conductor, bool *ret_quits, struct fault *fault);

#endif
