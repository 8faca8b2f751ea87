/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/table.h"

#include "agent/exchanges/exchange.h"

/* What this agent can do in an exchange: one row a part. */
const struct exchange_part *const exchange_parts[] = {
    &ping_prober,    &ping_answerer,   &download_sender, &download_receiver,
    &messages_first, &messages_second, &timing_sender,   &timing_reflector,
};

const size_t exchange_part_count = COUNT_OF(exchange_parts);
