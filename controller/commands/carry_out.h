/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_COMMANDS_CARRY_OUT_H
#define CONTROLLER_COMMANDS_CARRY_OUT_H

#include "controller/commands/outcome.h"
#include "controller/conductor.h"

/* What run and resume share: from a run in the logbook to its report. */

/* The options of a struct conductor_manner, the member manner of a command's
 * record. */
/* clang-format off */
#define OPTIONS_MANNER(type) \
    { "PERCENT", "battery-below", FIELD_WHOLE, UNIT_NONE, FIELD_AT(type, manner.battery_below_percent), 0, 100, "20", NULL, "warn of a computer on battery with less than this left; 0: never" }, \
    { "", "ask-readings", FIELD_FLAG, UNIT_NONE, FIELD_AT(type, manner.asks_readings), 0, 0, "no", NULL, "before and after each group, ask for what the radios show where no agent reads them" }, \
    { "", "cut-test", FIELD_FLAG, UNIT_NONE, FIELD_AT(type, manner.tests_cut), 0, 0, "no", NULL, "first have the radio unplugged and plugged in again, to prove that the traffic crosses it" }
/* clang-format on */

/* What the operator says of this run; kept with it, and told in the place of
 * what the plan says. */
struct carry_out_words {
    char weather[NAME_SIZE], note[200];
};
/* clang-format off */
#define OPTIONS_WORDS(type, otherwise) \
    { "TEXT", "weather", FIELD_TEXT, UNIT_NONE, FIELD_AT(type, words.weather), 0, 0, "", NULL, "the weather, kept with the run; default: " otherwise }, \
    { "TEXT", "note", FIELD_TEXT, UNIT_NONE, FIELD_AT(type, words.note), 0, 0, "", NULL, "what the report should keep of the run; default: " otherwise }
/* clang-format on */

struct carry_out_wish {
    const char *command;
    const struct plan *plan;
    struct logbook *logbook;
    const struct logbook_run *run;
    bool is_resumed;
    struct conductor_manner manner;
    const char *out; /* folder of the report; "": bothends-<run> */
};

/* Into the run's notes: the plan's own words stay as they were read, and what
 * was said of the run before is told no longer. */
int carry_out_keep_words(struct logbook *logbook, int64_t run,
                         const struct carry_out_words *words,
                         struct fault *fault);

/* Returns the exit status. */
int carry_out_run(const struct carry_out_wish *wish);

uint64_t carry_out_now_unix_ns(void);

#endif
