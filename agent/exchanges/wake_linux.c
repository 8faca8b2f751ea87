/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/wake.h"

#include <bothends/units.h>
#include <errno.h>
#include <string.h>
#include <sys/timerfd.h>
#include <unistd.h>

static void on_readable(uv_poll_t *poll, int status, int events);

int wake_init(struct wake *wake, uv_loop_t *loop, wake_fn *on_wake, void *owner)
{
    memset(wake, 0, sizeof(*wake));
    wake->on_wake = on_wake;
    wake->owner = owner;
    wake->timer_fd =
        timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    if (wake->timer_fd < 0)
        return -errno;
    int status = uv_poll_init(loop, &wake->handle.poll, wake->timer_fd);
    if (status != 0) {
        (void) close(wake->timer_fd);
        return status;
    }
    wake->handle.poll.data = wake;
    return 0;
}

static void set_timer(const struct wake *wake, uint64_t at_ns)
{
    const struct itimerspec time = {
        .it_value = { .tv_sec = (time_t) (at_ns / NS_PER_S),
                      .tv_nsec = (long) (at_ns % NS_PER_S) },
    };

    (void) timerfd_settime(wake->timer_fd, TFD_TIMER_ABSTIME, &time, NULL);
}

void wake_set(struct wake *wake, uint64_t at_ns)
{
    wake->at_ns = at_ns ? at_ns : 1; /* 0 would disarm the timer */
    set_timer(wake, wake->at_ns);
    (void) uv_poll_start(&wake->handle.poll, UV_READABLE, on_readable);
}

void wake_unset(struct wake *wake)
{
    wake->at_ns = 0;
    set_timer(wake, 0);
    (void) uv_poll_stop(&wake->handle.poll);
}

static void on_readable(uv_poll_t *poll, int status, int events)
{
    struct wake *wake = poll->data;
    uint64_t expired_count;

    (void) status;
    (void) events;
    /* Set anew since the loop saw it expire: not yet. */
    if (read(wake->timer_fd, &expired_count, sizeof(expired_count)) < 0)
        return;
    wake_unset(wake);
    wake->on_wake(wake->owner);
}

static void on_poll_closed(uv_handle_t *handle)
{
    struct wake *wake = handle->data;

    wake->on_closed(wake->owner);
}

void wake_close(struct wake *wake, wake_fn *on_closed)
{
    wake->on_closed = on_closed;
    uv_close((uv_handle_t *) &wake->handle.poll, on_poll_closed);
    (void) close(wake->timer_fd);
}
