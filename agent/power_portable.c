/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/power.h"

/* Where the system's own way is not known yet: no battery is known. */
void power_read(const char *folder, struct power *ret_power)
{
    (void) folder;
    *ret_power = (struct power){ .on_mains = true };
}
