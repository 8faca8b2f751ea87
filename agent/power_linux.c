/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/power.h"

#include <dirent.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define TEXT_SIZE 32

/* One file of a supply, without its line end; "": not there. */
static void read_text(const char *folder, const char *supply, const char *name,
                      char ret_text[TEXT_SIZE])
{
    char path[PATH_MAX];

    ret_text[0] = '\0';
    if (snprintf(path, sizeof(path), "%s/%s/%s", folder, supply, name)
        >= (int) sizeof(path))
        return;
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return;
    const ssize_t got = read(fd, ret_text, TEXT_SIZE - 1);
    (void) close(fd);
    ret_text[got > 0 ? got : 0] = '\0';
    ret_text[strcspn(ret_text, "\n")] = '\0';
}

static void take_battery(const char *folder, const char *supply,
                         struct power *power, bool *ret_discharges)
{
    char scope[TEXT_SIZE], capacity[TEXT_SIZE], status[TEXT_SIZE];

    read_text(folder, supply, "scope", scope);
    read_text(folder, supply, "capacity", capacity);
    read_text(folder, supply, "status", status);
    /* Mice and headsets tell of theirs as well. */
    char *end = NULL;
    const unsigned long percent = strtoul(capacity, &end, 10);
    if (strcmp(scope, "Device") == 0 || end == capacity || percent > 100)
        return;
    if (!power->has_battery || percent > power->percent)
        power->percent = (unsigned) percent;
    power->has_battery = true;
    *ret_discharges = *ret_discharges || strcmp(status, "Discharging") == 0;
}

void power_read(const char *folder, struct power *ret_power)
{
    struct power power = { .has_battery = false };
    bool discharges = false;
    DIR *supplies = opendir(folder);

    for (const struct dirent *supply = supplies ? readdir(supplies) : NULL;
         supply; supply = readdir(supplies)) {
        char type[TEXT_SIZE], online[TEXT_SIZE];

        if (supply->d_name[0] == '.')
            continue;
        read_text(folder, supply->d_name, "type", type);
        read_text(folder, supply->d_name, "online", online);
        if (strcmp(type, "Battery") == 0)
            take_battery(folder, supply->d_name, &power, &discharges);
        else if (online[0] == '1')
            power.on_mains = true;
    }
    if (supplies)
        (void) closedir(supplies);
    /* A supply that is plugged in and too weak does not count. */
    power.on_mains = power.has_battery ? power.on_mains && !discharges : true;
    *ret_power = power;
}
