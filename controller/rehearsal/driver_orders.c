/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_orders.h"

#include <stdio.h>
#include <string.h>

/* Index of name among the names; count: not there. */
static size_t find_name(const char *const *names, size_t count,
                        const char *name)
{
    size_t i = 0;

    while (i < count && strcmp(names[i], name) != 0)
        i++;
    return i;
}

static void set_step(const struct orders *orders, uint64_t now_ns, size_t end,
                     const char *name, char *answer, size_t size)
{
    const struct ledger_names *names = orders->names;
    const size_t step = find_name(names->steps, names->step_count, name);

    if (step == names->step_count) {
        (void) snprintf(answer, size, "the practice radio has no step '%.100s'",
                        name);
        return;
    }
    air_set_step(orders->air, now_ns, end, step);
    (void) snprintf(answer, size, "ok");
}

static void tell_readings(const struct orders *orders, size_t end, char *answer,
                          size_t size)
{
    struct air_reading reading;

    air_read(orders->air, end, &reading);
    (void) snprintf(answer, size,
                    "ok\nstep=%s\nqueue_bytes=%llu\nsent_frames=%llu\n"
                    "sent_bytes=%llu\n",
                    orders->names->steps[reading.step],
                    (unsigned long long) reading.queue_bytes,
                    (unsigned long long) reading.sent_frames_count,
                    (unsigned long long) reading.sent_bytes);
}

void orders_carry_out(const struct orders *orders, uint64_t now_ns,
                      char *message, char *answer, size_t size)
{
    const struct ledger_names *names = orders->names;
    char *tab = strchr(message, '\t');

    if (tab)
        *tab = '\0';
    const size_t end = find_name(names->ends, names->end_count, message);

    if (end == names->end_count)
        (void) snprintf(answer, size, "there is no practice radio '%.100s'",
                        message);
    else if (tab)
        set_step(orders, now_ns, end, tab + 1, answer, size);
    else
        tell_readings(orders, end, answer, size);
}
