/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_COMMANDS_CARRY_OUT_H
#define CONTROLLER_COMMANDS_CARRY_OUT_H

#include "controller/commands/outcome.h"

/* What run and resume share: from a run in the logbook to its report. */

struct carry_out_wish {
    const char *command;
    const struct plan *plan;
    struct logbook *logbook;
    const struct logbook_run *run;
    bool is_resumed;
    const char *out; /* folder of the report; "": bothends-<run> */
};

/* Returns the exit status. */
int carry_out_run(const struct carry_out_wish *wish);

uint64_t carry_out_now_unix_ns(void);

#endif
