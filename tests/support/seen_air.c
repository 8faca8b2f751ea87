/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/seen_air.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

static void see_fate(void *owner, const struct air_packet *packet,
                     enum air_fate fate)
{
    struct seen *seen = owner;

    assert_true(seen->packet_count < SEEN_MAX);
    seen->fates[seen->packet_count] = fate;
    seen->packets[seen->packet_count++] = *packet;
}

static void see_transmission(void *owner, const struct air_transmission *sent)
{
    struct seen *seen = owner;

    assert_true(seen->sent_count < SEEN_MAX);
    seen->sent[seen->sent_count++] = *sent;
}

static void see_idle(void *owner, const struct air_idle *idle)
{
    struct seen *seen = owner;

    assert_true(seen->idle_count < SEEN_MAX);
    seen->idle[seen->idle_count++] = *idle;
}

struct air *seen_air_new(const struct air_config *config, struct seen *seen)
{
    const struct air_listener listener = { .on_fate = see_fate,
                                           .on_transmission = see_transmission,
                                           .on_idle = see_idle,
                                           .owner = seen };

    return air_new(config, &listener, 0);
}
