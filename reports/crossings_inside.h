/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CROSSINGS_INSIDE_H
#define REPORTS_CROSSINGS_INSIDE_H

#include "reports/crossings.h"

#include <bothends/kinds/timing.h>

/* Between crossings.c and crossings_near.c: the reflector's part, from what the
 * sender was told; sent: rows of struct timing_probe. */
void crossings_take_near(struct crossings *crossings, const struct rows *sent);

#endif
