/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_STEP_H
#define AGENT_STEP_H

#include "agent/config.h"

#include <uv.h>

/*
 * Sets the radio's rate step by the owner's own command: no shell, {step}
 * replaced by a name of the owner's list, 30 s at most.
 *
 * on_done is called once, with a fault that has code 0 when the command ended
 * well; after that the step change closes its handles and frees itself.
 */
struct step_change;

typedef void step_done_fn(void *owner, const struct fault *fault);

/* config is borrowed until on_done.  On failure (no command, not a name of the
 * list, the program can't be started) on_done is never called. */
int step_start(uv_loop_t *loop, const struct agent_config *config,
               const char *name, step_done_fn *on_done, void *owner,
               struct step_change **ret_change, struct fault *fault);
/* Kill the command; on_done follows with UV_ECANCELED. */
void step_cancel(struct step_change *change);

#endif
