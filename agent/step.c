/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/step.h"

#include "agent/log.h"
#include "agent/memory.h"

#include <signal.h>

#define STEP_TIMEOUT_MS 30000
/* What the command left behind may hold its standard error open: after its own
 * end only what is already there is waited for. */
#define STEP_LAST_WORDS_MS 200
#define STEP_PLACEHOLDER   "{step}"

struct step_change {
    uv_process_t process;
    uv_pipe_t errors;
    uv_timer_t timer;
    unsigned open_handles;
    bool has_exited, has_timed_out, is_cancelled, is_finished;
    int64_t exit_status;
    int exit_signal;
    char program[64];
    char read_room[512];
    char line[200]; /* of standard error, as far as it has come */
    size_t line_length;
    char last_line[200];
    step_done_fn *on_done;
    void *owner;
};

/* The flow, top to bottom. */
static void on_errors(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer);
static void on_exit_of_command(uv_process_t *process, int64_t exit_status,
                               int exit_signal);
static void on_timer(uv_timer_t *timer);
static void finish(struct step_change *change);
static void on_handle_closed(uv_handle_t *handle);

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

static void on_room(uv_handle_t *handle, size_t wanted_bytes, uv_buf_t *buffer)
{
    struct step_change *change = handle->data;

    (void) wanted_bytes;
    *buffer = uv_buf_init(change->read_room, sizeof(change->read_room));
}

static int spawn(struct step_change *change, uv_loop_t *loop,
                 char *const *command, const char *name)
{
    char *arguments[CONFIG_ARGUMENTS_MAX + 1] = { NULL };
    uv_stdio_container_t streams[3] = {
        { .flags = UV_IGNORE },
        { .flags = UV_IGNORE },
        { .flags = (uv_stdio_flags) (UV_CREATE_PIPE | UV_WRITABLE_PIPE),
          .data.stream = (uv_stream_t *) &change->errors },
    };

    for (size_t i = 0; command[i]; i++)
        arguments[i] = fill_in(command[i], name);
    const uv_process_options_t options = {
        .exit_cb = on_exit_of_command,
        .file = arguments[0],
        .args = arguments,
        .flags = UV_PROCESS_DETACHED, /* a group of its own, to end it whole */
        .stdio_count = 3,
        .stdio = streams,
    };
    const int result = uv_spawn(loop, &change->process, &options);
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
    (void) snprintf(change->program, sizeof(change->program), "%s",
                    config->step_command[0]);
    (void) uv_pipe_init(loop, &change->errors, 0);
    (void) uv_timer_init(loop, &change->timer);
    change->process.data = change->errors.data = change->timer.data = change;
    change->open_handles = 3;
    const int result = spawn(change, loop, config->step_command, name);
    if (result < 0) {
        (void) fault_set(fault, result, "cannot start '%s': %s",
                         change->program, uv_strerror(result));
        change->on_done = NULL;
        finish(change);
        return result;
    }
    (void) uv_read_start((uv_stream_t *) &change->errors, on_room, on_errors);
    (void) uv_timer_start(&change->timer, on_timer, STEP_TIMEOUT_MS, 0);
    *ret_change = change;
    return 0;
}

static void kill_command(const struct step_change *change)
{
    /* Its whole group: it is the leader of its own. */
    if (!change->has_exited && change->process.pid > 0)
        (void) kill(-change->process.pid, SIGKILL);
}

void step_cancel(struct step_change *change)
{
    change->is_cancelled = true;
    kill_command(change);
}

static void take_byte(struct step_change *change, char byte)
{
    if (byte == '\n' || byte == '\r') {
        if (change->line_length > 0) {
            memcpy(change->last_line, change->line, change->line_length);
            change->last_line[change->line_length] = '\0';
        }
        change->line_length = 0;
    } else if (change->line_length + 1 < sizeof(change->line)) {
        const bool is_plain = (unsigned char) byte >= 0x20 && byte != 0x7f;

        if (!is_plain)
            byte = '?';
        change->line[change->line_length++] = byte;
    }
}

static void on_errors(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer)
{
    struct step_change *change = stream->data;

    for (ssize_t i = 0; i < read_bytes; i++)
        take_byte(change, buffer->base[i]);
    if (read_bytes >= 0)
        return;
    (void) uv_read_stop(stream);
    take_byte(change, '\n');
    if (change->has_exited)
        finish(change);
}

static void on_exit_of_command(uv_process_t *process, int64_t exit_status,
                               int exit_signal)
{
    struct step_change *change = process->data;

    change->has_exited = true;
    change->exit_status = exit_status;
    change->exit_signal = exit_signal;
    if (uv_is_active((uv_handle_t *) &change->errors))
        (void) uv_timer_start(&change->timer, on_timer, STEP_LAST_WORDS_MS, 0);
    else
        finish(change);
}

static void on_timer(uv_timer_t *timer)
{
    struct step_change *change = timer->data;

    if (change->has_exited) {
        take_byte(change, '\n');
        finish(change);
        return;
    }
    change->has_timed_out = true;
    kill_command(change);
}

static void judge(const struct step_change *change, struct fault *fault)
{
    const char *words =
        change->last_line[0] ? change->last_line : "it said nothing";

    if (change->is_cancelled)
        (void) fault_set(fault, UV_ECANCELED, "the agent is ending");
    else if (change->has_timed_out)
        (void) fault_set(fault, UV_ETIMEDOUT,
                         "'%s' had not ended after %d s: %s", change->program,
                         STEP_TIMEOUT_MS / 1000, words);
    else if (change->exit_signal)
        (void) fault_set(fault, UV_EIO, "'%s' was ended by signal %d: %s",
                         change->program, change->exit_signal, words);
    else if (change->exit_status)
        (void) fault_set(fault, UV_EIO, "'%s' failed with status %d: %s",
                         change->program, (int) change->exit_status, words);
}

/* The one way out. */
static void finish(struct step_change *change)
{
    struct fault fault = { 0 };

    if (change->is_finished)
        return;
    change->is_finished = true;
    judge(change, &fault);
    uv_close((uv_handle_t *) &change->process, on_handle_closed);
    uv_close((uv_handle_t *) &change->errors, on_handle_closed);
    uv_close((uv_handle_t *) &change->timer, on_handle_closed);
    if (change->on_done)
        change->on_done(change->owner, &fault);
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct step_change *change = handle->data;

    if (--change->open_handles == 0)
        free(change);
}
