/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_REASONS_H
#define CONTROLLER_PLAN_REASONS_H

#include <bothends/fields.h>

/* Why no radio is like that: what is wrong with a value beyond its field's
 * limits, as a clause.  NULL: nothing but the limit can be said. */
const char *reason_beyond(const struct field *field, bool is_above);

#endif
