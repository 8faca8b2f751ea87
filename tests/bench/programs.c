/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/bench/programs.h"

#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define AGENTS_MAX        4
#define COMMAND_SIZE      (3 * PATH_MAX)
#define START_TRIES       200
#define START_TRY_WAIT_NS 50000000L

static struct {
    char folder[64], build[PATH_MAX];
    pid_t agents[AGENTS_MAX];
    size_t agent_count;
    pid_t owner; /* children that exit clean up nothing */
} bench;

static void give_up(const char *what)
{
    perror(what);
    exit(1);
}

void bench_command(const char *format, ...)
{
    char command[COMMAND_SIZE];
    va_list arguments;

    va_start(arguments, format);
    const int length = vsnprintf(command, sizeof(command), format, arguments);
    va_end(arguments);
    /* The commands are the bench's own words.  NOLINTNEXTLINE(cert-env33-c) */
    if (length < 0 || length >= COMMAND_SIZE || system(command) == -1)
        give_up("a command");
}

static void leave(void)
{
    if (getpid() != bench.owner)
        return;
    for (size_t i = 0; i < bench.agent_count; i++) {
        (void) kill(bench.agents[i], SIGTERM);
        (void) waitpid(bench.agents[i], NULL, 0);
    }
    bench_command("rm -rf '%s'", bench.folder);
}

const char *bench_enter(const char *build)
{
    const char *parent = getenv("TMPDIR");

    if (!realpath(build, bench.build))
        give_up(build);
    (void) snprintf(bench.folder, sizeof(bench.folder), "%.40s/bench.XXXXXX",
                    parent ? parent : "/tmp");
    if (!mkdtemp(bench.folder) || chdir(bench.folder) != 0)
        give_up("a temporary folder");
    bench.owner = getpid();
    if (atexit(leave) != 0)
        give_up("atexit");
    return bench.build;
}

/* In the child: becomes the agent, and goes when the bench goes. */
static void become_agent(const char *build, const char *name,
                         const char *address, int said)
{
    char program[PATH_MAX + 32], key[64], spool[64];

    (void) snprintf(program, sizeof(program), "%s/bothends-agent", build);
    (void) snprintf(key, sizeof(key), "%s.key", name);
    (void) snprintf(spool, sizeof(spool), "%s.spool", name);
    (void) prctl(PR_SET_PDEATHSIG, SIGKILL);
    (void) dup2(said, STDOUT_FILENO);
    (void) dup2(said, STDERR_FILENO);
    (void) execl(program, program, "--key", key, "--listen", address, "--port",
                 "0", "--spool", spool, (char *) NULL);
    _exit(127);
}

/* From its start line "… port N …"; 0: not said yet. */
static unsigned port_said(const char *path)
{
    char text[1024] = "";
    FILE *file = fopen(path, "r");
    const size_t length = file ? fread(text, 1, sizeof(text) - 1, file) : 0;

    text[length] = '\0';
    if (file)
        (void) fclose(file);
    const char *place = strstr(text, " port ");
    return place ? (unsigned) strtoul(place + strlen(" port "), NULL, 10) : 0;
}

struct bench_agent bench_start_agent(const char *build, const char *name,
                                     const char *address)
{
    const struct timespec wait = { .tv_nsec = START_TRY_WAIT_NS };
    struct bench_agent agent = { 0 };
    char path[64];

    (void) snprintf(path, sizeof(path), "%s.said", name);
    const int said = open(path, O_CREAT | O_WRONLY | O_TRUNC | O_CLOEXEC, 0600);
    if (said < 0 || bench.agent_count == AGENTS_MAX)
        give_up(path);
    agent.pid = fork();
    if (agent.pid < 0)
        give_up("fork");
    if (agent.pid == 0)
        become_agent(build, name, address, said);
    (void) close(said);
    bench.agents[bench.agent_count++] = agent.pid;
    for (int i = 0; i < START_TRIES && !agent.port; i++) {
        (void) nanosleep(&wait, NULL);
        agent.port = port_said(path);
    }
    if (!agent.port) {
        bench_command("cat '%s' >&2", path);
        exit(1);
    }
    return agent;
}

long bench_resident_kb(const struct bench_agent *agent)
{
    char path[64], line[256];
    long most_kb = 0;

    (void) snprintf(path, sizeof(path), "/proc/%ld/status", (long) agent->pid);
    FILE *file = fopen(path, "r");
    if (!file)
        return 0;
    while (fgets(line, sizeof(line), file)) {
        if (strncmp(line, "VmHWM:", 6) == 0)
            most_kb = strtol(line + 6, NULL, 10);
    }
    (void) fclose(file);
    return most_kb;
}

FILE *bench_create(const char *path)
{
    FILE *file = fopen(path, "w");

    if (!file)
        give_up(path);
    return file;
}
