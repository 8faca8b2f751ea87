/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/awake.h"

#include "agent/clock.h"
#include "agent/command.h"
#include "agent/log.h"
#include "agent/memory.h"

#include <bothends/units.h>
#include <inttypes.h>
#include <limits.h>
#include <unistd.h>

/*
 * By systemd's own program, which holds the lock as long as the command that it
 * was given runs: no bus library in the agent, and no lock outlives either.
 */
#define PROGRAM "systemd-inhibit"

struct awake {
    uv_loop_t *loop;
    struct command *command; /* NULL: nothing is held */
    uint64_t until_ns;
    bool is_closing, has_failed;
};

static void on_done(void *owner, const struct fault *fault, const char *output,
                    size_t output_bytes);

bool awake_can(void)
{
    const char *at = getenv("PATH");

    while (at && *at) {
        const int length = (int) strcspn(at, ":");
        char path[PATH_MAX];

        if (snprintf(path, sizeof(path), "%.*s/" PROGRAM, length, at)
                < (int) sizeof(path)
            && access(path, X_OK) == 0)
            return true;
        at += length + (at[length] == ':');
    }
    return false;
}

struct awake *awake_open(uv_loop_t *loop)
{
    struct awake *awake = mem_new(struct awake);

    awake->loop = loop;
    return awake;
}

void awake_hold(struct awake *awake, uint64_t until_ns)
{
    const uint64_t now_ns = clock_now_ns();
    char seconds[24];
    struct fault fault = { 0 };

    if (awake->has_failed || until_ns <= now_ns
        || (awake->command && until_ns <= awake->until_ns) || !awake_can())
        return;
    (void) snprintf(seconds, sizeof(seconds), "%" PRIu64,
                    (until_ns - now_ns) / NS_PER_S + 1);
    char program[] = PROGRAM, what[] = "--what=sleep:idle",
         who[] = "--who=bothends-agent",
         why[] = "--why=an exchange is under way", mode[] = "--mode=block",
         command[] = "sleep";
    char *const arguments[] = { program, what,    who,     why,
                                mode,    command, seconds, NULL };
    const struct command_wish wish = {
        .loop = awake->loop,
        .arguments = arguments,
        .timeout_ms = (until_ns - now_ns) / NS_PER_MS + 2000,
        .on_done = on_done,
        .owner = awake,
    };
    awake_release(awake);
    /* A former one ends in a moment, and this follows it. */
    awake->until_ns = until_ns;
    if (!awake->command && command_start(&wish, &awake->command, &fault) != 0)
        awake->until_ns = 0;
}

void awake_release(struct awake *awake)
{
    awake->until_ns = 0;
    if (awake->command)
        command_cancel(awake->command);
}

/* Ended because it was let go, or because the system does not let us. */
static void on_done(void *owner, const struct fault *fault, const char *output,
                    size_t output_bytes)
{
    struct awake *awake = owner;
    const uint64_t until_ns = awake->until_ns;

    (void) output;
    (void) output_bytes;
    awake->command = NULL;
    if (awake->is_closing) {
        free(awake);
        return;
    }
    if (fault->code == UV_ECANCELED) {
        if (until_ns)
            awake_hold(awake, until_ns);
        return;
    }
    if (!fault->code)
        return;
    awake->has_failed = true;
    log_info("awake: cannot keep this computer from sleeping: %s", fault->text);
}

void awake_close(struct awake *awake)
{
    if (!awake)
        return;
    awake->is_closing = true;
    awake_release(awake);
    if (!awake->command)
        free(awake);
}
