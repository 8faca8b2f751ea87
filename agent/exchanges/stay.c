/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/stay.h"

/* Beyond the prober's longest time: the two starts are not quite the same. */
#define MARGIN_NS NS_PER_S

static void on_end(void *owner)
{
    stay_stop(owner);
}

void stay_init(struct stay *stay, struct exchange *exchange)
{
    *stay = (struct stay){ .exchange = exchange };
}

void stay_begin(struct stay *stay, uint64_t longest_ns)
{
    int status = 0;

    if (!stay->is_open)
        status = wake_init(&stay->end, exchange_site_of(stay->exchange)->loop,
                           on_end, stay);
    if (status != 0) {
        exchange_trouble(stay->exchange, "cannot watch: %s",
                         uv_strerror(status));
        stay_stop(stay);
        return;
    }
    stay->is_open = true;
    wake_set(&stay->end,
             exchange_start_ns(stay->exchange) + longest_ns + MARGIN_NS);
}

void stay_unbegin(struct stay *stay)
{
    wake_unset(&stay->end);
}

void stay_until(struct stay *stay, uint64_t end_ns)
{
    if (stay->is_open && !stay->is_over && end_ns < stay->end.at_ns)
        wake_set(&stay->end, end_ns);
}

static void on_closed(void *owner)
{
    const struct stay *stay = owner;

    exchange_finish(stay->exchange);
}

void stay_stop(struct stay *stay)
{
    if (stay->is_over)
        return;
    stay->is_over = true;
    if (stay->is_open)
        wake_close(&stay->end, on_closed);
    else
        exchange_finish(stay->exchange);
}
