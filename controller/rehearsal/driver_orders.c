/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_orders.h"

#include "controller/rehearsal/driver_control.h"

#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
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

static void set_step(const struct driver_orders *orders, uint64_t now_ns,
                     size_t end, const char *name, char *answer, size_t size)
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

/* What a radio can honestly know of itself: what it sent, and which frames for
 * it came through or were spoilt.  There is no level in this air. */
static void tell_readings(const struct driver_orders *orders, size_t end,
                          char *answer, size_t size)
{
    struct air_reading reading;
    char registered[48] = "";

    air_read(orders->air, end, &reading);
    if (end == orders->hub)
        (void) snprintf(registered, sizeof(registered),
                        "registered_stations=%" PRIu64 "\n",
                        reading.registered_count);
    (void) snprintf(answer, size,
                    "ok\nstep=%s\nqueue_bytes=%" PRIu64 "\nsent_frames=%" PRIu64
                    "\nsent_bytes=%" PRIu64 "\nrepeated_frames=%" PRIu64
                    "\nheard_frames=%" PRIu64 "\nmissed_frames=%" PRIu64 "\n%s",
                    orders->names->steps[reading.step], reading.queue_bytes,
                    reading.sent_frames_count, reading.sent_bytes,
                    reading.repeated_frames_count, reading.heard_frames_count,
                    reading.missed_frames_count, registered);
}

/* --- what goes wrong ------------------------------------------------------ */

static void begin_event(const struct driver_orders *orders, uint64_t now_ns,
                        const char *words, char *answer, size_t size)
{
    struct fault fault = { 0 };
    unsigned number = 0;

    if (timeline_begin(orders->timeline, orders->air, now_ns, words, &number,
                       &fault)
        == 0)
        (void) snprintf(answer, size, "ok\n%u", number);
    else
        (void) snprintf(answer, size, "%s", fault.text);
}

static void end_event(const struct driver_orders *orders, uint64_t now_ns,
                      const char *text, char *answer, size_t size)
{
    const unsigned long number = strtoul(text, NULL, 10);
    struct fault fault = { 0 };

    if (timeline_end(orders->timeline, orders->air, now_ns,
                     number < UINT_MAX ? (unsigned) number : 0, &fault)
        == 0)
        (void) snprintf(answer, size, "ok");
    else
        (void) snprintf(answer, size, "%s", fault.text);
}

/* What has no room is not passed over in silence. */
static void mark_cut(char *answer, size_t size)
{
    static const char mark[] = "... and more\n";
    char *end = answer + size - sizeof(mark);

    while (end > answer && end[-1] != '\n')
        end--;
    memcpy(end, mark, sizeof(mark));
}

static void tell_events(const struct driver_orders *orders, uint64_t now_ns,
                        char *answer, size_t size)
{
    char *text = NULL;
    size_t length = 0;
    FILE *memory = open_memstream(&text, &length);

    if (memory) {
        timeline_apply(orders->timeline, orders->air, now_ns);
        timeline_print(orders->timeline, memory);
        (void) fclose(memory);
    }
    if (snprintf(answer, size, "ok\n%s", text ? text : "") >= (int) size)
        mark_cut(answer, size);
    free(text);
}

/* --- all of them ---------------------------------------------------------- */

static void carry_out_event(const struct driver_orders *orders, uint64_t now_ns,
                            const char *word, const char *rest, char *answer,
                            size_t size)
{
    if (!orders->timeline)
        (void) snprintf(answer, size,
                        "nothing comes or goes on this practice link");
    else if (strcmp(word, CONTROL_BEGIN) == 0)
        begin_event(orders, now_ns, rest, answer, size);
    else if (strcmp(word, CONTROL_END) == 0)
        end_event(orders, now_ns, rest, answer, size);
    else
        tell_events(orders, now_ns, answer, size);
}

static void carry_out_at_radio(const struct driver_orders *orders,
                               uint64_t now_ns, const char *name,
                               const char *step, char *answer, size_t size)
{
    const struct ledger_names *names = orders->names;
    const size_t end = find_name(names->ends, names->end_count, name);

    if (end == names->end_count)
        (void) snprintf(answer, size, "there is no practice radio '%.100s'",
                        name);
    else if (step)
        set_step(orders, now_ns, end, step, answer, size);
    else
        tell_readings(orders, end, answer, size);
}

void driver_orders_carry_out(const struct driver_orders *orders,
                             uint64_t now_ns, char *message, char *answer,
                             size_t size)
{
    char *tab = strchr(message, '\t');

    if (tab)
        *tab = '\0';
    air_advance(orders->air, now_ns); /* what is told is true now */
    if (strchr(message, ':'))         /* no name of an end has one */
        carry_out_event(orders, now_ns, message, tab ? tab + 1 : "", answer,
                        size);
    else
        carry_out_at_radio(orders, now_ns, message, tab ? tab + 1 : NULL,
                           answer, size);
}
