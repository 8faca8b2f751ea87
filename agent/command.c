/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/command.h"

#include "agent/config.h"
#include "agent/memory.h"

#include <signal.h>
#include <stdbool.h>
#include <string.h>

/* What the command left behind may hold its outputs open: after its own end
 * only what is already there is waited for. */
#define LAST_WORDS_MS 200

struct command {
    uv_process_t process;
    uv_pipe_t output, errors;
    uv_timer_t timer;
    unsigned open_handles, open_pipes;
    bool has_exited, has_timed_out, has_overflowed, is_cancelled, is_finished;
    int64_t exit_status;
    int exit_signal;
    char program[64];
    char read_room[4096];
    char *text; /* of standard output */
    size_t text_bytes, text_most_bytes;
    char line[200]; /* of standard error, as far as it has come */
    size_t line_length;
    char last_line[200];
    uint64_t timeout_ms;
    command_done_fn *on_done;
    void *owner; /* borrowed */
};

/* The flow, top to bottom. */
static void on_output(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer);
static void on_errors(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer);
static void on_exit_of_command(uv_process_t *process, int64_t exit_status,
                               int exit_signal);
static void on_timer(uv_timer_t *timer);
static void finish(struct command *command);
static void on_handle_closed(uv_handle_t *handle);

static void on_room(uv_handle_t *handle, size_t wanted_bytes, uv_buf_t *buffer)
{
    struct command *command = handle->data;

    (void) wanted_bytes;
    *buffer = uv_buf_init(command->read_room, sizeof(command->read_room));
}

static int spawn(struct command *command, const struct command_wish *wish)
{
    const uv_stdio_flags to_us =
        (uv_stdio_flags) (UV_CREATE_PIPE | UV_WRITABLE_PIPE);
    uv_stdio_container_t streams[3] = {
        { .flags = UV_IGNORE },
        { .flags = wish->output_most_bytes ? to_us : UV_IGNORE,
          .data.stream = (uv_stream_t *) &command->output },
        { .flags = to_us, .data.stream = (uv_stream_t *) &command->errors },
    };
    char *arguments[CONFIG_ARGUMENTS_MAX + 1] = { NULL };

    for (size_t i = 0; i < CONFIG_ARGUMENTS_MAX && wish->arguments[i]; i++)
        arguments[i] = wish->arguments[i];
    const uv_process_options_t options = {
        .exit_cb = on_exit_of_command,
        .file = arguments[0],
        .args = arguments,
        .flags = UV_PROCESS_DETACHED, /* a group of its own, to end it whole */
        .stdio_count = 3,
        .stdio = streams,
    };
    return uv_spawn(wish->loop, &command->process, &options);
}

int command_start(const struct command_wish *wish, struct command **ret_command,
                  struct fault *fault)
{
    struct command *command = mem_new(struct command);

    command->on_done = wish->on_done;
    command->owner = wish->owner;
    command->timeout_ms = wish->timeout_ms;
    command->text_most_bytes = wish->output_most_bytes;
    (void) snprintf(command->program, sizeof(command->program), "%s",
                    wish->arguments[0]);
    (void) uv_pipe_init(wish->loop, &command->output, 0);
    (void) uv_pipe_init(wish->loop, &command->errors, 0);
    (void) uv_timer_init(wish->loop, &command->timer);
    command->process.data = command->output.data = command->errors.data =
        command->timer.data = command;
    command->open_handles = 4;
    const int result = spawn(command, wish);
    if (result < 0) {
        (void) fault_set(fault, result, "cannot start '%s': %s",
                         command->program, uv_strerror(result));
        command->on_done = NULL;
        finish(command);
        return result;
    }
    if (command->text_most_bytes) {
        command->text = mem_checked(malloc(command->text_most_bytes));
        command->open_pipes++;
        (void) uv_read_start((uv_stream_t *) &command->output, on_room,
                             on_output);
    }
    command->open_pipes++;
    (void) uv_read_start((uv_stream_t *) &command->errors, on_room, on_errors);
    (void) uv_timer_start(&command->timer, on_timer, command->timeout_ms, 0);
    *ret_command = command;
    return 0;
}

static void kill_command(const struct command *command)
{
    /* Its whole group: it is the leader of its own. */
    if (!command->has_exited && command->process.pid > 0)
        (void) kill(-command->process.pid, SIGKILL);
}

void command_cancel(struct command *command)
{
    command->is_cancelled = true;
    kill_command(command);
}

/* --- what it says --------------------------------------------------------- */

static void on_pipe_end(struct command *command, uv_stream_t *stream)
{
    (void) uv_read_stop(stream);
    command->open_pipes--;
    if (command->has_exited && command->open_pipes == 0)
        finish(command);
}

static void on_output(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer)
{
    struct command *command = stream->data;

    if (read_bytes < 0) {
        on_pipe_end(command, stream);
        return;
    }
    if ((size_t) read_bytes > command->text_most_bytes - command->text_bytes) {
        command->has_overflowed = true;
        kill_command(command);
        return;
    }
    memcpy(command->text + command->text_bytes, buffer->base,
           (size_t) read_bytes);
    command->text_bytes += (size_t) read_bytes;
}

static void take_error_byte(struct command *command, char byte)
{
    if (byte == '\n' || byte == '\r') {
        if (command->line_length > 0) {
            memcpy(command->last_line, command->line, command->line_length);
            command->last_line[command->line_length] = '\0';
        }
        command->line_length = 0;
    } else if (command->line_length + 1 < sizeof(command->line)) {
        const bool is_plain = (unsigned char) byte >= 0x20 && byte != 0x7f;

        if (!is_plain)
            byte = '?';
        command->line[command->line_length++] = byte;
    }
}

static void on_errors(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer)
{
    struct command *command = stream->data;

    for (ssize_t i = 0; i < read_bytes; i++)
        take_error_byte(command, buffer->base[i]);
    if (read_bytes < 0)
        on_pipe_end(command, stream);
}

/* --- the end -------------------------------------------------------------- */

static void on_exit_of_command(uv_process_t *process, int64_t exit_status,
                               int exit_signal)
{
    struct command *command = process->data;

    command->has_exited = true;
    command->exit_status = exit_status;
    command->exit_signal = exit_signal;
    if (command->open_pipes > 0)
        (void) uv_timer_start(&command->timer, on_timer, LAST_WORDS_MS, 0);
    else
        finish(command);
}

static void on_timer(uv_timer_t *timer)
{
    struct command *command = timer->data;

    if (command->has_exited) {
        finish(command);
        return;
    }
    command->has_timed_out = true;
    kill_command(command);
}

static void judge(struct command *command, struct fault *fault)
{
    take_error_byte(command, '\n');
    const char *words =
        command->last_line[0] ? command->last_line : "it said nothing";

    if (command->is_cancelled)
        (void) fault_set(fault, UV_ECANCELED, "the agent is ending");
    else if (command->has_overflowed)
        (void) fault_set(fault, UV_E2BIG,
                         "'%s' printed more than %zu bytes, expected at most "
                         "as many",
                         command->program, command->text_most_bytes);
    else if (command->has_timed_out)
        (void) fault_set(
            fault, UV_ETIMEDOUT, "'%s' had not ended after %.3g s: %s",
            command->program, (double) command->timeout_ms / 1000, words);
    else if (command->exit_signal)
        (void) fault_set(fault, UV_EIO, "'%s' was ended by signal %d: %s",
                         command->program, command->exit_signal, words);
    else if (command->exit_status)
        (void) fault_set(fault, UV_EIO, "'%s' failed with status %d: %s",
                         command->program, (int) command->exit_status, words);
}

/* The one way out. */
static void finish(struct command *command)
{
    struct fault fault = { 0 };

    if (command->is_finished)
        return;
    command->is_finished = true;
    judge(command, &fault);
    uv_close((uv_handle_t *) &command->process, on_handle_closed);
    uv_close((uv_handle_t *) &command->output, on_handle_closed);
    uv_close((uv_handle_t *) &command->errors, on_handle_closed);
    uv_close((uv_handle_t *) &command->timer, on_handle_closed);
    if (command->on_done)
        command->on_done(command->owner, &fault, command->text,
                         command->text_bytes);
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct command *command = handle->data;

    if (--command->open_handles > 0)
        return;
    free(command->text);
    free(command);
}
