/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/wake.h"

#include <bothends/units.h>
#include <string.h>

/* Loop timers: to the ms, rounded up. */

static void on_timer(uv_timer_t *timer);

int wake_init(struct wake *wake, uv_loop_t *loop, wake_fn *on_wake, void *owner)
{
    memset(wake, 0, sizeof(*wake));
    wake->timer_fd = -1;
    wake->on_wake = on_wake;
    wake->owner = owner;
    wake->handle.timer.data = wake;
    return uv_timer_init(loop, &wake->handle.timer);
}

static void start_timer(struct wake *wake)
{
    const uint64_t now_ns = uv_hrtime();
    const uint64_t left_ns = wake->at_ns > now_ns ? wake->at_ns - now_ns : 0;

    uv_update_time(wake->handle.timer.loop);
    (void) uv_timer_start(&wake->handle.timer, on_timer,
                          (left_ns + NS_PER_MS - 1) / NS_PER_MS, 0);
}

void wake_set(struct wake *wake, uint64_t at_ns)
{
    wake->at_ns = at_ns ? at_ns : 1;
    start_timer(wake);
}

void wake_unset(struct wake *wake)
{
    wake->at_ns = 0;
    (void) uv_timer_stop(&wake->handle.timer);
}

static void on_timer(uv_timer_t *timer)
{
    struct wake *wake = timer->data;

    if (uv_hrtime() < wake->at_ns) {
        start_timer(wake);
        return;
    }
    wake->at_ns = 0;
    wake->on_wake(wake->owner);
}

static void on_timer_closed(uv_handle_t *handle)
{
    struct wake *wake = handle->data;

    wake->on_closed(wake->owner);
}

void wake_close(struct wake *wake, wake_fn *on_closed)
{
    wake->on_closed = on_closed;
    uv_close((uv_handle_t *) &wake->handle.timer, on_timer_closed);
}
