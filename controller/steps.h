/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_STEPS_H
#define CONTROLLER_STEPS_H

#include "controller/conductor_state.h"

/* Has the rate step set at every end, by the operator's hand or by the agents'
 * own command, and proves contact on it. */

enum steps_answer {
    STEPS_SET,
    STEPS_SKIP, /* the operator skips this visit */
    STEPS_QUIT, /* ... or ends the run, or says no more (end of input) */
};

int steps_set(struct conductor *conductor, size_t step,
              enum steps_answer *ret_answer, struct fault *fault);

#endif
