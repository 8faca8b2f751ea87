/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_COMMAND_H
#define AGENT_COMMAND_H

#include <bothends/fault.h>
#include <stddef.h>
#include <stdint.h>
#include <uv.h>

/*
 * One of the owner's own commands, from an argument list: no shell, a time
 * limit, and as much of its standard output as is asked for.
 *
 * on_done is called once, with a fault of code 0 when the command ended well;
 * after that the command closes its handles and frees itself.
 */
struct command;

typedef void command_done_fn(void *owner, const struct fault *fault,
                             const char *output, size_t output_bytes);

struct command_wish {
    uv_loop_t *loop;
    char *const *arguments; /* NULL-terminated, of at most
                               CONFIG_ARGUMENTS_MAX; borrowed for the call */
    uint64_t timeout_ms;
    size_t output_most_bytes; /* more is a fault; 0: the output is not read */
    command_done_fn *on_done;
    void *owner; /* borrowed until on_done */
};

/* When the program can't be started on_done is never called. */
int command_start(const struct command_wish *wish, struct command **ret_command,
                  struct fault *fault);
/* Kill it, with all that it started; on_done follows with UV_ECANCELED. */
void command_cancel(struct command *command);

#endif
