/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_KEYS_H
#define CONTROLLER_KEYS_H

#include "agent/wire/key.h"

#include <bothends/fault.h>
#include <bothends/plan.h>

/*
 * The key of an end's agent: the plan's key file (relative to the plan's
 * folder); else END.key or bothends.key in the plan's folder; else the same
 * two names in $XDG_CONFIG_HOME/bothends (~/.config/bothends).  The fault names
 * every place that was looked at and says how to make a key.
 */
int keys_find(const struct plan_end *end, const char *plan_path,
              struct wire_key *ret_key, char *ret_path, size_t path_size,
              struct fault *fault);

#endif
