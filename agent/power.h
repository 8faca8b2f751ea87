/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_POWER_H
#define AGENT_POWER_H

#include <stdbool.h>

/* The battery of this computer: power_linux.c, power_portable.c. */
struct power {
    bool has_battery;
    unsigned percent; /* of the fullest battery */
    bool on_mains;
};

#define POWER_FOLDER "/sys/class/power_supply"

/* folder: where the system tells, POWER_FOLDER but in tests. */
void power_read(const char *folder, struct power *ret_power);

#endif
