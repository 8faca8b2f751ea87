/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/outcome.h"
#include "controller/options.h"
#include "controller/rehearsal/driver.h"

#include <string.h>
#include <uv.h>

/*
 * The emulated radios of a rehearsal that runs.  With an END it is what stands
 * in a practice end's own configuration as the commands that set and read its
 * radio; the options let somebody make trouble on the channel.
 */
struct practice_options {
    char begin[512];
    uint64_t end; /* 0: not said */
};

/* clang-format off */
static const struct field practice_options[] = {
    { "EVENT", "begin", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct practice_options, begin), 0, 0, "", NULL, "something goes wrong from now on, such as \"loss chance=10% from=skerry for=20s\": the words of practice: events: in a plan" },
    { "NUMBER", "end", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct practice_options, end), 1, 4294967295.0, "", NULL, "end the event of this number before its time" },
};
/* clang-format on */

static void set_steps(const char *folder, const char *names, const char *step,
                      struct fault *fault)
{
    char ends[PLAN_ENDS_MAX * NAME_SIZE];
    char *rest = NULL;

    (void) snprintf(ends, sizeof(ends), "%s", names);
    for (const char *end = strtok_r(ends, ",", &rest); end && !fault->code;
         end = strtok_r(NULL, ",", &rest))
        (void) driver_set_step(folder, end, step, fault);
}

static void read_radio(const char *folder, const char *end, struct fault *fault)
{
    char text[DRIVER_READINGS_SIZE];

    if (driver_read(folder, end, text, fault) == 0)
        (void) fputs(text, stdout);
}

static void begin_event(const char *folder, const char *words,
                        struct fault *fault)
{
    unsigned number = 0;

    if (driver_begin(folder, words, &number, fault) == 0)
        (void) printf("event %u has begun\n", number);
}

static void show_events(const char *folder, struct fault *fault)
{
    char text[DRIVER_EVENTS_SIZE];

    if (driver_events(folder, text, fault) == 0)
        (void) fputs(text[0] ? text : "nothing is wrong on purpose\n", stdout);
}

static void make_trouble(const char *folder,
                         const struct practice_options *wish,
                         struct fault *fault)
{
    if (wish->end)
        (void) driver_end(folder, (unsigned) wish->end, fault);
    if (wish->begin[0] && !fault->code)
        begin_event(folder, wish->begin, fault);
    if (!wish->end && !wish->begin[0])
        show_events(folder, fault);
}

static int practice_run(const char *const *arguments, size_t argument_count,
                        const void *options)
{
    const struct practice_options *wish = options;
    struct fault fault = { 0 };

    if (argument_count > 1 && (wish->begin[0] || wish->end)) {
        (void) fputs("bothends practice: found an end, expected none beside "
                     "--begin or --end: an event names its own\n",
                     stderr);
        return STATUS_USAGE;
    }
    if (argument_count == 3)
        set_steps(arguments[0], arguments[1], arguments[2], &fault);
    else if (argument_count == 2)
        read_radio(arguments[0], arguments[1], &fault);
    else
        make_trouble(arguments[0], wish, &fault);
    if (!fault.code)
        return STATUS_MET;
    (void) outcome_fault("practice", &fault);
    return fault.code == UV_EINVAL ? STATUS_USAGE : STATUS_OURS;
}

const struct command practice_command = {
    .name = "practice",
    .arguments = "DIR [END[,END] [STEP]]",
    .help = "for the rehearsal that is running in DIR: show what goes wrong on "
            "purpose; with an end: read its radio; with a step too: set it",
    .least_arguments = 1,
    .most_arguments = 3,
    .options = practice_options,
    .option_count = COUNT_OF(practice_options),
    .options_size = sizeof(struct practice_options),
    .run = practice_run,
};
