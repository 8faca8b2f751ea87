/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/own_agent.h"

#include <errno.h>
#include <limits.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const uint64_t start_timeout_ms = 15000;
static const uint64_t end_timeout_ms = 3000;
static const uint64_t connect_timeout_ms = 3000;
static const unsigned knock_gap_ms = 100;

#define PROGRAM "bothends-agent"

struct own_agent {
    uv_loop_t *loop;
    uv_process_t process;
    uv_pipe_t output;
    uv_timer_t timer;
    int open_handles; /* inited and not closed yet */
    bool has_ended, is_late;
    int64_t exit_status;
    char program[PATH_MAX];
    char folder[PATH_MAX]; /* "": the key is not ours */
    char key[PATH_MAX + 8];
    struct wire_key wire_key;
    char line[1024]; /* its first line */
    size_t line_bytes;
    bool line_is_whole;
};

/* --- is there one? ------------------------------------------------------ */

struct knock {
    uv_tcp_t tcp;
    uv_timer_t timer;
    uv_connect_t request;
    bool is_open, is_done;
    int open_handles;
};

static void on_knocked(uv_connect_t *request, int status)
{
    struct knock *knock = request->data;

    knock->is_open = status == 0;
    knock->is_done = true;
}

static void on_knock_timeout(uv_timer_t *timer)
{
    struct knock *knock = timer->data;

    knock->is_done = true;
}

static void on_knock_closed(uv_handle_t *handle)
{
    struct knock *knock = handle->data;

    knock->open_handles--;
}

static int address_of(const char *address, uint16_t port,
                      struct sockaddr_storage *ret_address)
{
    if (strchr(address, ':'))
        return uv_ip6_addr(address, port, (struct sockaddr_in6 *) ret_address);
    return uv_ip4_addr(address, port, (struct sockaddr_in *) ret_address);
}

static void on_probe_closed(uv_handle_t *handle)
{
    bool *is_closed = handle->data;

    *is_closed = true;
}

bool own_agent_has_address(uv_loop_t *loop, const char *address)
{
    struct sockaddr_storage own;
    uv_udp_t probe;
    bool is_closed = false;

    if (address_of(address, 0, &own) != 0)
        return false;
    (void) uv_udp_init(loop, &probe);
    probe.data = &is_closed;
    const int code = uv_udp_bind(&probe, (struct sockaddr *) &own, 0);
    uv_close((uv_handle_t *) &probe, on_probe_closed);
    while (!is_closed)
        (void) uv_run(loop, UV_RUN_ONCE);
    return code == 0;
}

/* Does somebody listen there? */
static bool knock_at(uv_loop_t *loop, const struct sockaddr_storage *to)
{
    struct knock knock = { .open_handles = 2 };

    (void) uv_tcp_init(loop, &knock.tcp);
    (void) uv_timer_init(loop, &knock.timer);
    knock.request.data = knock.timer.data = knock.tcp.data = &knock;
    (void) uv_timer_start(&knock.timer, on_knock_timeout, connect_timeout_ms,
                          0);
    if (uv_tcp_connect(&knock.request, &knock.tcp, (const struct sockaddr *) to,
                       on_knocked)
        != 0)
        knock.is_done = true;
    while (!knock.is_done)
        (void) uv_run(loop, UV_RUN_ONCE);
    const bool is_open = knock.is_open;
    uv_close((uv_handle_t *) &knock.tcp, on_knock_closed);
    uv_close((uv_handle_t *) &knock.timer, on_knock_closed);
    while (knock.open_handles > 0)
        (void) uv_run(loop, UV_RUN_ONCE);
    return is_open;
}

bool own_agent_is_needed(uv_loop_t *loop, const char *address, uint16_t port,
                         uint64_t patience_ms)
{
    const uint64_t until_ns = uv_hrtime() + patience_ms * 1000000;
    struct sockaddr_storage to;

    if (address_of(address, port, &to) != 0)
        return false;
    while (knock_at(loop, &to)) {
        if (uv_hrtime() >= until_ns)
            return false;
        uv_sleep(knock_gap_ms);
    }
    return true;
}

/* --- the program -------------------------------------------------------- */

/* Beside our own executable; else the name alone, which is looked for in PATH.
 */
static void find_program(char *ret_path, size_t size)
{
    size_t length = size;

    if (uv_exepath(ret_path, &length) == 0) {
        char *slash = strrchr(ret_path, '/');

        if (slash
            && (size_t) (slash - ret_path) + sizeof("/" PROGRAM) <= size) {
            memcpy(slash, "/" PROGRAM, sizeof("/" PROGRAM));
            if (access(ret_path, X_OK) == 0)
                return;
        }
    }
    (void) snprintf(ret_path, size, "%s", PROGRAM);
}

static void on_exit_of_agent(uv_process_t *process, int64_t exit_status,
                             int signal)
{
    struct own_agent *agent = process->data;

    agent->has_ended = true;
    agent->exit_status = signal ? 128 + signal : exit_status;
}

static void on_room(uv_handle_t *handle, size_t suggested_bytes,
                    uv_buf_t *buffer)
{
    struct own_agent *agent = handle->data;

    (void) suggested_bytes;
    /* Only the first line is wanted; what follows is read and forgotten. */
    if (agent->line_is_whole || agent->line_bytes + 1 >= sizeof(agent->line))
        agent->line_bytes = 0;
    *buffer =
        uv_buf_init(agent->line + agent->line_bytes,
                    (unsigned) (sizeof(agent->line) - 1 - agent->line_bytes));
}

static void on_output(uv_stream_t *stream, ssize_t read_bytes,
                      const uv_buf_t *buffer)
{
    struct own_agent *agent = stream->data;

    (void) buffer;
    if (read_bytes < 0) {
        (void) uv_read_stop(stream);
        return;
    }
    agent->line_bytes += (size_t) read_bytes;
    agent->line[agent->line_bytes] = '\0';
    if (strchr(agent->line, '\n'))
        agent->line_is_whole = true;
}

static void on_late(uv_timer_t *timer)
{
    struct own_agent *agent = timer->data;

    agent->is_late = true;
}

static void on_closed(uv_handle_t *handle)
{
    struct own_agent *agent = handle->data;

    agent->open_handles--;
}

static void remove_key(struct own_agent *agent)
{
    if (!agent->folder[0])
        return;
    (void) unlink(agent->key);
    (void) rmdir(agent->folder);
    agent->folder[0] = '\0';
}

/* Close what is open and free; the process must have ended. */
static void dispose(struct own_agent *agent)
{
    uv_handle_t *const handles[] = { (uv_handle_t *) &agent->process,
                                     (uv_handle_t *) &agent->output,
                                     (uv_handle_t *) &agent->timer };

    for (size_t i = 0; i < sizeof(handles) / sizeof(handles[0]); i++) {
        if (handles[i]->data && !uv_is_closing(handles[i]))
            uv_close(handles[i], on_closed);
    }
    while (agent->open_handles > 0)
        (void) uv_run(agent->loop, UV_RUN_ONCE);
    remove_key(agent);
    wire_key_clear(&agent->wire_key);
    free(agent);
}

/* A handle that was inited: it counts until it is closed. */
static void adopt(struct own_agent *agent, uv_handle_t *handle)
{
    handle->data = agent;
    agent->open_handles++;
}

/*
 * Detached: a Ctrl-C at the terminal goes to all of its foreground processes,
 * but the agent must live to hand over what it measured.  --end-with-parent
 * ends it with us whatever happens.
 */
static int spawn(struct own_agent *agent, const char *const *arguments,
                 struct fault *fault)
{
    /* In a variable: the combination is no value of the enumeration. */
    const int pipe_flags = UV_CREATE_PIPE | UV_WRITABLE_PIPE;
    uv_stdio_container_t stdio[] = {
        { .flags = UV_IGNORE },
        { .flags = (uv_stdio_flags) pipe_flags,
          .data.stream = (uv_stream_t *) &agent->output },
        { .flags = UV_INHERIT_FD, .data.fd = STDERR_FILENO },
    };
    char *copies[16];
    size_t count = 0;

    for (; arguments[count] && count + 1 < 16; count++)
        copies[count] = strdup(arguments[count]);
    copies[count] = NULL;
    const uv_process_options_t options = {
        .exit_cb = on_exit_of_agent,
        .file = agent->program,
        .args = copies,
        .flags = UV_PROCESS_DETACHED,
        .stdio_count = 3,
        .stdio = stdio,
    };
    agent->has_ended = false;
    (void) uv_pipe_init(agent->loop, &agent->output, 0);
    adopt(agent, (uv_handle_t *) &agent->output);
    const int code = uv_spawn(agent->loop, &agent->process, &options);
    adopt(agent, (uv_handle_t *) &agent->process);
    for (size_t i = 0; i < count; i++)
        free(copies[i]);
    if (code) {
        agent->has_ended = true;
        return fault_set(fault, code,
                         "cannot start '%s', the agent of this computer: %s",
                         agent->program, uv_strerror(code));
    }
    return uv_read_start((uv_stream_t *) &agent->output, on_room, on_output);
}

static void arm_timer(struct own_agent *agent, uint64_t timeout_ms)
{
    agent->is_late = false;
    (void) uv_timer_start(&agent->timer, on_late, timeout_ms, 0);
}

/* --- starting ----------------------------------------------------------- */

static int make_key_folder(struct own_agent *agent, struct fault *fault)
{
    const char *runtime = getenv("XDG_RUNTIME_DIR");
    const char *temporary = getenv("TMPDIR");
    const char *in = runtime && runtime[0] == '/'       ? runtime
                     : temporary && temporary[0] == '/' ? temporary
                                                        : "/tmp";

    (void) snprintf(agent->folder, sizeof(agent->folder),
                    "%.*s/bothends.XXXXXX", PATH_MAX - 32, in);
    if (!mkdtemp(agent->folder)) {
        agent->folder[0] = '\0';
        return fault_set(fault, -errno,
                         "cannot make a folder for a key in '%s': %s", in,
                         strerror(errno));
    }
    (void) snprintf(agent->key, sizeof(agent->key), "%s/key", agent->folder);
    return 0;
}

static int make_key(struct own_agent *agent, struct fault *fault)
{
    const int code = make_key_folder(agent, fault);

    return code ? code : wire_key_create(agent->key, fault);
}

static int start_listening(struct own_agent *agent,
                           const struct own_agent_wish *wish,
                           struct fault *fault)
{
    char port[16];
    const char *const arguments[] = { agent->program,
                                      "--name",
                                      wish->name,
                                      "--listen",
                                      wish->listen,
                                      "--port",
                                      port,
                                      "--key",
                                      agent->key,
                                      "--spool",
                                      wish->spool,
                                      "--end-with-parent",
                                      NULL };

    (void) snprintf(port, sizeof(port), "%u", (unsigned) wish->port);
    arm_timer(agent, start_timeout_ms);
    const int code = spawn(agent, arguments, fault);
    if (code)
        return code;
    while (!agent->has_ended && !agent->is_late && !agent->line_is_whole)
        (void) uv_run(agent->loop, UV_RUN_ONCE);
    if (agent->line_is_whole)
        return 0;
    return agent->has_ended
               ? fault_set(fault, UV_EIO,
                           "the agent of this computer (%s on %s) ended at "
                           "once with status %lld: see its message above",
                           wish->name, wish->listen,
                           (long long) agent->exit_status)
               : fault_set(fault, UV_ETIMEDOUT,
                           "the agent of this computer (%s on %s) did not say "
                           "within %llu s that it listens",
                           wish->name, wish->listen,
                           (unsigned long long) start_timeout_ms / 1000);
}

int own_agent_start(uv_loop_t *loop, const struct own_agent_wish *wish,
                    struct own_agent **ret_agent, struct fault *fault)
{
    struct own_agent *agent = calloc(1, sizeof(*agent));
    int code = 0;

    if (!agent)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    agent->loop = loop;
    agent->has_ended = true;
    (void) uv_timer_init(loop, &agent->timer);
    adopt(agent, (uv_handle_t *) &agent->timer);
    find_program(agent->program, sizeof(agent->program));
    if (wish->key[0])
        (void) snprintf(agent->key, sizeof(agent->key), "%s", wish->key);
    else
        code = make_key(agent, fault);
    if (!code)
        code = start_listening(agent, wish, fault);
    if (!code)
        code = wire_key_read(agent->key, &agent->wire_key, fault);
    if (code) {
        own_agent_stop(agent);
        return code;
    }
    /* Both have read it: should we be killed, it does not stay behind. */
    remove_key(agent);
    /* While it runs it must not keep our loop from ending. */
    uv_unref((uv_handle_t *) &agent->process);
    uv_unref((uv_handle_t *) &agent->output);
    *ret_agent = agent;
    return 0;
}

const struct wire_key *own_agent_key(const struct own_agent *agent,
                                     const char **ret_path)
{
    *ret_path = agent->key;
    return &agent->wire_key;
}

void own_agent_stop(struct own_agent *agent)
{
    if (!agent)
        return;
    if (!agent->has_ended) {
        uv_ref((uv_handle_t *) &agent->process);
        (void) uv_process_kill(&agent->process, SIGTERM);
        arm_timer(agent, end_timeout_ms);
        while (!agent->has_ended && !agent->is_late)
            (void) uv_run(agent->loop, UV_RUN_ONCE);
    }
    if (!agent->has_ended) {
        (void) uv_process_kill(&agent->process, SIGKILL);
        while (!agent->has_ended)
            (void) uv_run(agent->loop, UV_RUN_ONCE);
    }
    dispose(agent);
}
