/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_COMMANDS_REFERENCE_H
#define CONTROLLER_COMMANDS_REFERENCE_H

#include "controller/logbook.h"

#include <bothends/plan.h>

/*
 * Looks the plan's reference run up in the logbook, and gives its figures to
 * the plan's steps.  A plan that names none is left alone.  Fails, in words,
 * where the run is not there or can't be read; then nothing is taken.
 */
int reference_find(struct logbook *logbook, struct plan *plan,
                   struct fault *fault);

/* The same for a run that is measured already: without its reference its report
 * is still worth having, so what fails is only told. */
void reference_find_or_tell(const char *command, struct logbook *logbook,
                            struct plan *plan);

#endif
