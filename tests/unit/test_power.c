/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/power.h"

#include <bothends/fields.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

/* A folder as the system shows it: supplies, each with a few files. */
struct supply {
    const char *name;
    const char *files[8]; /* name, text, name, text ... */
};

static void make(const char *folder, const struct supply *supply)
{
    char path[512];

    (void) snprintf(path, sizeof(path), "%s/%s", folder, supply->name);
    (void) mkdir(path, 0700);
    for (size_t i = 0; supply->files[i]; i += 2) {
        (void) snprintf(path, sizeof(path), "%s/%s/%s", folder, supply->name,
                        supply->files[i]);
        FILE *file = fopen(path, "w");
        assert_non_null(file);
        (void) fprintf(file, "%s\n", supply->files[i + 1]);
        (void) fclose(file);
    }
}

static struct power read_supplies(const struct supply *supplies, size_t count)
{
    char folder[] = "/tmp/bothends-power-XXXXXX", line[64];
    struct power power;

    assert_non_null(mkdtemp(folder));
    for (size_t i = 0; i < count; i++)
        make(folder, &supplies[i]);
    power_read(folder, &power);
    (void) snprintf(line, sizeof(line), "rm -r %s", folder);
    assert_int_equal(system(line), 0);
    return power;
}

/* clang-format off */
static const struct supply mains_off = { "AC", { "type", "Mains", "online", "0" } };
static const struct supply mains_on = { "AC", { "type", "Mains", "online", "1" } };
static const struct supply draining = { "BAT0", { "type", "Battery", "capacity", "18", "status", "Discharging" } };
static const struct supply charging = { "BAT1", { "type", "Battery", "capacity", "64", "status", "Charging" } };
static const struct supply mouse = { "hid-1", { "type", "Battery", "capacity", "3", "scope", "Device" } };
static const struct supply nonsense = { "BAT9", { "type", "Battery", "capacity", "oops" } };
/* clang-format on */

static void a_draining_battery_is_told(void **state)
{
    const struct supply supplies[] = { mains_off, draining };
    const struct power power = read_supplies(supplies, COUNT_OF(supplies));

    (void) state;
    assert_true(power.has_battery);
    assert_int_equal(power.percent, 18);
    assert_false(power.on_mains);
}

static void a_charging_one_is_on_mains_and_the_fuller_one_counts(void **state)
{
    const struct supply supplies[] = { mains_on, charging };
    const struct supply two[] = { mains_off, charging, draining };

    (void) state;
    assert_true(read_supplies(supplies, COUNT_OF(supplies)).on_mains);
    assert_int_equal(read_supplies(two, COUNT_OF(two)).percent, 64);
    assert_false(read_supplies(two, COUNT_OF(two)).on_mains);
}

static void a_mouse_is_no_battery_of_the_computer(void **state)
{
    const struct supply supplies[] = { mains_on, mouse };

    (void) state;
    assert_false(read_supplies(supplies, COUNT_OF(supplies)).has_battery);
    assert_true(read_supplies(supplies, COUNT_OF(supplies)).on_mains);
}

static void a_folder_that_is_not_there_means_no_battery(void **state)
{
    struct power power;

    (void) state;
    power_read("/nowhere/at/all", &power);
    assert_false(power.has_battery);
    assert_true(power.on_mains);
}

static void a_capacity_that_is_no_number_is_no_battery(void **state)
{
    (void) state;
    assert_false(read_supplies(&nonsense, 1).has_battery);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_draining_battery_is_told),
        cmocka_unit_test(a_charging_one_is_on_mains_and_the_fuller_one_counts),
        cmocka_unit_test(a_mouse_is_no_battery_of_the_computer),
        cmocka_unit_test(a_folder_that_is_not_there_means_no_battery),
        cmocka_unit_test(a_capacity_that_is_no_number_is_no_battery),
    };

    return cmocka_run_group_tests_name("power", tests, NULL, NULL);
}
