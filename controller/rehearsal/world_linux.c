/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/world.h"

#include "controller/rehearsal/driver_control.h"
#include "controller/rehearsal/namespaces.h"
#include "controller/rehearsal/world_host.h"

#include <errno.h>
#include <sys/wait.h>
#include <unistd.h>

uint64_t world_clock_offset_ns(size_t index)
{
    return (index + 1) * 1000 * NS_PER_S;
}

/*
 * The caretaker stands outside of the world and waits until the last of its
 * processes, and the caller, are gone: each holds `alive`, the writing side of
 * a pipe.  Whichever way they ended, it takes the control panel's file away.
 */
static pid_t start_caretaker(const char *folder, int *ret_alive)
{
    int alive[2];

    *ret_alive = -1;
    if (pipe(alive) != 0)
        return -1;
    const pid_t pid = fork();

    if (pid == 0) {
        char byte;

        (void) setsid(); /* what is sent to the terminal's group passes by */
        (void) close(alive[1]);
        while (read(alive[0], &byte, 1) < 0 && errno == EINTR)
            continue;
        driver_control_remove(folder);
        _exit(0);
    }
    (void) close(alive[0]);
    *ret_alive = alive[1];
    return pid;
}

static void dismiss_caretaker(pid_t caretaker, int alive)
{
    (void) close(alive);
    if (caretaker > 0)
        (void) waitpid(caretaker, NULL, 0);
}

/* Pass signals on to the first process until it has ended. */
static int wait_for_first_process(pid_t pid)
{
    sigset_t signals;
    int wait_status;

    host_fill_signals(&signals);
    while (waitpid(pid, &wait_status, WNOHANG) != pid) {
        const int signal = sigwaitinfo(&signals, NULL);

        if (signal > 0 && signal != SIGCHLD)
            (void) kill(pid, signal);
    }
    return wait_status;
}

int world_run(const struct world *world, struct fault *fault)
{
    sigset_t signals, before;

    host_fill_signals(&signals);
    (void) sigprocmask(SIG_BLOCK, &signals, &before);
    int alive;
    const pid_t caretaker = start_caretaker(world->folder, &alive);
    const pid_t pid = namespaces_fork(fault);

    if (pid == 0)
        _exit(host_run(world));
    const int wait_status = pid > 0 ? wait_for_first_process(pid) : 0;

    dismiss_caretaker(caretaker, alive);
    (void) sigprocmask(SIG_SETMASK, &before, NULL);
    if (pid < 0)
        return pid;
    if (WIFSIGNALED(wait_status))
        return fault_set(fault, -EIO, "the practice link was killed");
    if (host_exit_status(wait_status) == HOST_BROKEN)
        return fault_set(fault, -EIO,
                         "the practice link failed: see the message above");
    return host_exit_status(wait_status);
}
