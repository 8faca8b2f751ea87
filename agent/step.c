/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/step.h"

#include "agent/command.h"
#include "agent/memory.h"

#include <string.h>

#define STEP_TIMEOUT_MS  30000
#define STEP_PLACEHOLDER "{step}"

struct step_change {
    struct command *command;
    step_done_fn *on_done;
    void *owner;
};

/* The argument with the placeholder replaced; the caller frees it. */
static char *fill_in(const char *argument, const char *name)
{
    const char *mark = strstr(argument, STEP_PLACEHOLDER);
    if (!mark)
        return mem_text(argument);
    const size_t room_bytes = strlen(argument) + strlen(name) + 1;
    char *filled = mem_checked(malloc(room_bytes));
    (void) snprintf(filled, room_bytes, "%.*s%s%s", (int) (mark - argument),
                    argument, name, mark + strlen(STEP_PLACEHOLDER));
    return filled;
}

static void on_command_done(void *owner, const struct fault *fault,
                            const char *output, size_t output_bytes)
{
    struct step_change *change = owner;

    (void) output;
    (void) output_bytes;
    change->on_done(change->owner, fault);
    free(change);
}

static int start_command(struct step_change *change, uv_loop_t *loop,
                         const struct agent_config *config, const char *name,
                         struct fault *fault)
{
    char *arguments[CONFIG_ARGUMENTS_MAX + 1] = { NULL };
    const struct command_wish wish = {
        .loop = loop,
        .arguments = arguments,
        .timeout_ms = STEP_TIMEOUT_MS,
        .on_done = on_command_done,
        .owner = change,
    };

    for (size_t i = 0; config->step_command[i]; i++)
        arguments[i] = fill_in(config->step_command[i], name);
    const int result = command_start(&wish, &change->command, fault);
    for (size_t i = 0; arguments[i]; i++)
        free(arguments[i]);
    return result;
}

int step_start(uv_loop_t *loop, const struct agent_config *config,
               const char *name, step_done_fn *on_done, void *owner,
               struct step_change **ret_change, struct fault *fault)
{
    if (!config->step_command[0])
        return fault_set(fault, UV_ENOSYS,
                         "this agent has no command that sets steps: its owner "
                         "names one in the file of --config");
    if (!config_has_step(config, name))
        return fault_set(fault, UV_EINVAL,
                         "found the step '%.40s', expected one that the owner "
                         "of this agent lists",
                         name);

    struct step_change *change = mem_new(struct step_change);
    change->on_done = on_done;
    change->owner = owner;
    const int result = start_command(change, loop, config, name, fault);
    if (result < 0)
        free(change);
    else
        *ret_change = change;
    return result;
}

void step_cancel(struct step_change *change)
{
    command_cancel(change->command);
}
