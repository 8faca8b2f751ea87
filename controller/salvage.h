/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_SALVAGE_H
#define CONTROLLER_SALVAGE_H

#include "controller/conductor_state.h"

/*
 * Before a cut-off run goes on: what the ends measured for it and still keep,
 * because no controller fetched or acknowledged it, is brought into the
 * logbook.  A group whose accounts are all there need not be done again.
 */
int salvage_accounts(struct conductor *conductor, struct fault *fault);

#endif
