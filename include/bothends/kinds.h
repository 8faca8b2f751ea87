/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_H
#define BOTHENDS_KINDS_H

#include <bothends/kind.h>
#include <bothends/kinds/download.h>
#include <bothends/kinds/messages.h>
#include <bothends/kinds/ping.h>
#include <bothends/kinds/timing.h>
#include <string.h>

/* Every exchange kind: one row each, and no other list of their names. */
static const struct kind *const exchange_kinds[] = {
    &ping_kind,
    &download_kind,
    &messages_kind,
    &timing_kind,
};

/* NULL when there is no such kind.  Kinds are told apart by name: every source
 * file that includes this has rows of its own. */
static inline const struct kind *kind_by_name(const char *name)
{
    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++) {
        if (strcmp(exchange_kinds[i]->name, name) == 0)
            return exchange_kinds[i];
    }
    return NULL;
}

#endif
