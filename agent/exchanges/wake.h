/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_WAKE_H
#define AGENT_WAKE_H

#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

/*
 * A call at a moment of the monotonic clock, never before it.  Loop timers
 * count in ms from a cached time; where the system has better (wake_linux.c), a
 * wake is as exact as the system's scheduling.
 */
struct wake;
typedef void wake_fn(void *owner);

struct wake {
    union {
        uv_poll_t poll;
        uv_timer_t timer;
    } handle;
    int timer_fd;
    uint64_t at_ns; /* 0: not set */
    wake_fn *on_wake, *on_closed;
    void *owner; /* borrowed */
};

/* On failure nothing has to be closed. */
int wake_init(struct wake *wake, uv_loop_t *loop, wake_fn *on_wake,
              void *owner);

/* Once, at that time (at once when it is past); replaces what was set. */
void wake_set(struct wake *wake, uint64_t at_ns);
void wake_unset(struct wake *wake);

/* on_closed is called from the loop: then the memory may go. */
void wake_close(struct wake *wake, wake_fn *on_closed);

#endif
