/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/world_host.h"

#include "controller/rehearsal/clocks.h"
#include "controller/rehearsal/namespaces.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/* How long a service may take to print its line, and to end when told. */
#define SERVICE_BEGIN_LIMIT_NS (20 * NS_PER_S)
#define SERVICE_END_LIMIT_NS   (3 * NS_PER_S)
#define AIR_END_LIMIT_NS       (10 * NS_PER_S)
/* The operator's program may still fetch and store what was measured. */
#define OPERATOR_END_LIMIT_NS (60 * NS_PER_S)

static const int passed_signals[] = { SIGINT, SIGTERM, SIGHUP, SIGQUIT };

struct host {
    const struct world *world; /* borrowed */
    struct practice_end ends[PLAN_ENDS_MAX];
    struct practice_clock *clocks[PLAN_ENDS_MAX]; /* NULL: nobody sees it */
    pid_t air, operator_program;
    pid_t services[PLAN_ENDS_MAX];
    int operator_status; /* as of waitpid(); -1: not ended */
    bool is_air_lost;
    int stop_signal; /* that came before there was an operator's program */
};

/* The flow, top to bottom. */
static int build(struct host *host, struct fault *fault);
static int start_air(struct host *host, struct fault *fault);
static int start_service(struct host *host, size_t end, struct fault *fault);
static int start_operator_program(struct host *host, struct fault *fault);
static void watch(struct host *host);
static void take_down(struct host *host);

void host_fill_signals(sigset_t *signals)
{
    (void) sigemptyset(signals);
    (void) sigaddset(signals, SIGCHLD);
    for (size_t i = 0; i < COUNT_OF(passed_signals); i++)
        (void) sigaddset(signals, passed_signals[i]);
}

int host_exit_status(int wait_status)
{
    if (WIFEXITED(wait_status))
        return WEXITSTATUS(wait_status);
    return 128 + WTERMSIG(wait_status);
}

static uint64_t now_ns(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t) now.tv_sec * NS_PER_S + (uint64_t) now.tv_nsec;
}

int host_run(const struct world *world)
{
    struct host host = { .world = world, .operator_status = -1 };
    struct fault fault = { 0 };

    /* Out of the terminal's foreground: Ctrl-C goes to the caller alone, and
     * from there, once, to the operator's program.  That one may still write
     * to the terminal. */
    (void) setpgid(0, 0);
    (void) signal(SIGTTOU, SIG_IGN);
    int status = build(&host, &fault);

    if (!status)
        status = start_operator_program(&host, &fault);
    if (!status)
        watch(&host);
    take_down(&host);
    if (status && !host.stop_signal)
        (void) fprintf(stderr, "rehearsal: %s\n", fault.text);
    if (host.stop_signal)
        return 128 + host.stop_signal;
    return status || host.is_air_lost ? HOST_BROKEN
                                      : host_exit_status(host.operator_status);
}

static struct clock_setup clock_of(const struct host *host, size_t end)
{
    const struct world_end *setup = &host->world->ends[end];

    return (struct clock_setup){
        .end = setup->name,
        .monotonic_offset_ns = (int64_t) world_clock_offset_ns(end),
        .file = setup->clock,
        .wall_offset_ns = setup->clock_offset_ns,
        .wall_skew_ppm = setup->clock_skew_ppm,
    };
}

static int make_wall_clocks(struct host *host, struct fault *fault)
{
    int status = 0;

    for (size_t i = 0; i < host->world->end_count && !status; i++) {
        const struct clock_setup setup = clock_of(host, i);

        status = clocks_make(&setup, now_ns(), &host->clocks[i], fault);
    }
    return status;
}

static int write_clocks(const struct host *host, struct fault *fault)
{
    struct clock_setup setups[PLAN_ENDS_MAX];
    char ledger[4096];

    for (size_t i = 0; i < host->world->end_count; i++)
        setups[i] = clock_of(host, i);
    (void) snprintf(ledger, sizeof(ledger), "%s/ledger", host->world->folder);
    return clocks_write(ledger, setups, host->world->end_count, fault);
}

static int build(struct host *host, struct fault *fault)
{
    const struct world *world = host->world;
    int status = 0;

    for (size_t i = 0; i < world->end_count && !status; i++) {
        const struct practice_addresses addresses = {
            world->ends[i].addresses, world->ends[i].address_count
        };

        status = namespaces_make_end(i, world->mtu_bytes, &addresses,
                                     &host->ends[i], fault);
    }
    if (!status)
        status = make_wall_clocks(host, fault); /* the air steps them */
    if (!status)
        status = start_air(host, fault); /* before the clocks: it keeps ours */
    for (size_t i = 0; i < world->end_count && !status; i++)
        status = namespaces_make_clock(&host->ends[i], world_clock_offset_ns(i),
                                       fault);
    if (!status)
        status = write_clocks(host, fault);
    for (size_t i = 0; i < world->end_count && !status; i++) {
        if (world->ends[i].service)
            status = start_service(host, i, fault);
    }
    return status;
}

/* In a fresh child: signals as a program expects them. */
static void unblock_signals(void)
{
    sigset_t none;

    (void) sigemptyset(&none);
    (void) sigprocmask(SIG_SETMASK, &none, NULL);
}

/* Signals that wait: children that ended, or a wish to stop. */
static void take_signals(struct host *host, uint64_t limit_ns);

static bool is_up(const struct host *host, const pid_t *pid)
{
    return *pid > 0 && !host->stop_signal;
}

/* --- the air -------------------------------------------------------------- */

static int run_air(const struct host *host, int ready)
{
    const struct world *world = host->world;
    struct driver_end ends[PLAN_ENDS_MAX];
    struct fault fault = { 0 };
    const struct driver_setup setup = { .config = world->config,
                                        .names = world->names,
                                        .plan = world->plan,
                                        .ends = ends,
                                        .end_count = world->end_count,
                                        .folder = world->folder };

    for (size_t i = 0; i < world->end_count; i++)
        ends[i] = (struct driver_end){
            world->ends[i].name,      host->ends[i].veth,
            world->ends[i].addresses, world->ends[i].address_count,
            world->ends[i].router,    host->clocks[i]
        };
    if (driver_run(&setup, ready, &fault) == 0)
        return 0;
    (void) fprintf(stderr, "rehearsal: the air: %s\n", fault.text);
    return 1;
}

static int start_air(struct host *host, struct fault *fault)
{
    int ready[2];
    char byte;

    if (pipe2(ready, O_CLOEXEC) != 0)
        return fault_set(fault, -errno, "pipe: %s", strerror(errno));
    host->air = fork();
    if (host->air == 0) {
        (void) close(ready[0]);
        (void) prctl(PR_SET_NAME, "bothends-air"); /* as ps shows it */
        _exit(run_air(host, ready[1]));
    }
    (void) close(ready[1]);
    const bool is_ready = host->air > 0 && read(ready[0], &byte, 1) == 1;

    (void) close(ready[0]);
    return is_ready ? 0
                    : fault_set(fault, -EIO, "the air could not be started");
}

/* --- programs on the ends' computers -------------------------------------- */

/* Never returns. */
static void become(const struct practice_end *end, const char *const *arguments)
{
    struct fault fault = { 0 };

    unblock_signals();
    if (namespaces_enter(end, &fault) == 0) {
        char *const *words;

        /* execv() leaves the strings alone; its type is older than const. */
        memcpy(&words, &arguments, sizeof(words));
        (void) execv(arguments[0], words);
        (void) fault_set(&fault, -errno, "cannot start '%s': %s", arguments[0],
                         strerror(errno));
    }
    (void) fprintf(stderr, "rehearsal: %s\n", fault.text);
    _exit(127);
}

static void become_service(const struct practice_end *end,
                           const struct world_end *setup)
{
    const int null = open("/dev/null", O_RDONLY);
    const int log = open(setup->log, O_WRONLY | O_CREAT | O_TRUNC, 0666);

    if (null < 0 || log < 0) {
        (void) fprintf(stderr, "rehearsal: cannot write '%s': %s\n", setup->log,
                       strerror(errno));
        _exit(127);
    }
    (void) dup2(null, STDIN_FILENO);
    (void) dup2(log, STDOUT_FILENO);
    (void) dup2(log, STDERR_FILENO);
    become(end, setup->service);
}

static bool has_line(const char *path)
{
    char text[4096];
    const int fd = open(path, O_RDONLY | O_CLOEXEC);

    if (fd < 0)
        return false;
    const ssize_t length = read(fd, text, sizeof(text));

    (void) close(fd);
    return length > 0 && memchr(text, '\n', (size_t) length);
}

static int start_service(struct host *host, size_t end, struct fault *fault)
{
    const struct world_end *setup = &host->world->ends[end];
    const uint64_t limit_ns = now_ns() + SERVICE_BEGIN_LIMIT_NS;
    pid_t *pid = &host->services[end];

    (void) unlink(setup->log); /* it may have a former one's line */
    *pid = fork();
    if (*pid == 0)
        become_service(&host->ends[end], setup);
    while (is_up(host, pid) && !has_line(setup->log) && now_ns() < limit_ns)
        take_signals(host, 5 * NS_PER_MS);
    if (host->stop_signal)
        return fault_set(fault, -EINTR, "stopped before it began");
    if (!is_up(host, pid) || !has_line(setup->log))
        return fault_set(fault, -EIO,
                         "the agent of '%s' did not come up: see '%s'",
                         setup->name, setup->log);
    return 0;
}

static int start_operator_program(struct host *host, struct fault *fault)
{
    const struct world *world = host->world;

    host->operator_program = fork();
    if (host->operator_program == 0) {
        /* Not in the foreground, so it could not read the terminal. */
        const int null = open("/dev/null", O_RDONLY);

        if (null >= 0)
            (void) dup2(null, STDIN_FILENO);
        become(&host->ends[world->operator_end], world->operator_program);
    }
    if (host->operator_program < 0)
        return fault_set(fault, -errno, "fork: %s", strerror(errno));
    return 0;
}

/* --- until the end -------------------------------------------------------- */

static void note_end_of_service(struct host *host, pid_t pid, int wait_status)
{
    for (size_t i = 0; i < host->world->end_count; i++) {
        if (host->services[i] != pid)
            continue;
        host->services[i] = 0;
        if (host->operator_program > 0 && host->operator_status < 0)
            (void) fprintf(stderr,
                           "rehearsal: the agent of '%s' has ended (status "
                           "%d): see '%s'\n",
                           host->world->ends[i].name,
                           host_exit_status(wait_status),
                           host->world->ends[i].log);
    }
}

static void reap(struct host *host)
{
    int wait_status;
    pid_t pid;

    for (pid = waitpid(-1, &wait_status, WNOHANG); pid > 0;
         pid = waitpid(-1, &wait_status, WNOHANG)) {
        if (pid == host->operator_program)
            host->operator_status = wait_status;
        else if (pid == host->air) {
            host->air = 0;
            if (host->operator_status < 0 || wait_status != 0)
                host->is_air_lost = true;
        } else
            note_end_of_service(host, pid, wait_status);
    }
}

static void take_signals(struct host *host, uint64_t limit_ns)
{
    const struct timespec limit = { .tv_sec = (time_t) (limit_ns / NS_PER_S),
                                    .tv_nsec = (long) (limit_ns % NS_PER_S) };
    sigset_t signals;

    host_fill_signals(&signals);
    const int signal = sigtimedwait(&signals, NULL, &limit);

    if (signal == SIGCHLD)
        reap(host);
    else if (signal > 0 && host->operator_program <= 0)
        host->stop_signal = signal;
    else if (signal > 0 && host->operator_status < 0)
        (void) kill(host->operator_program, signal);
}

static void watch(struct host *host)
{
    uint64_t limit_ns = UINT64_MAX;

    while (host->operator_status < 0) {
        take_signals(host, NS_PER_S);
        if (host->is_air_lost && limit_ns == UINT64_MAX) {
            (void) fputs("rehearsal: the practice link has ended too early\n",
                         stderr);
            (void) kill(host->operator_program, SIGINT);
            limit_ns = now_ns() + OPERATOR_END_LIMIT_NS;
        }
        if (now_ns() > limit_ns)
            (void) kill(host->operator_program, SIGKILL);
    }
}

static void end_and_wait(struct host *host, const pid_t *pid, uint64_t limit_ns)
{
    const uint64_t until_ns = now_ns() + limit_ns;

    if (*pid > 0)
        (void) kill(*pid, SIGTERM);
    while (*pid > 0 && now_ns() < until_ns)
        take_signals(host, 100 * NS_PER_MS);
}

/* What does not end in time is ended by the kernel together with us. */
static void take_down(struct host *host)
{
    const bool was_air_up = host->air > 0;

    end_and_wait(host, &host->air, AIR_END_LIMIT_NS);
    if (was_air_up && host->air > 0) {
        (void) fputs("rehearsal: the ledger could not be closed in time\n",
                     stderr);
        host->is_air_lost = true;
    }
    for (size_t i = 0; i < host->world->end_count; i++)
        end_and_wait(host, &host->services[i], SERVICE_END_LIMIT_NS);
}
