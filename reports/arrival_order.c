/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/arrival_order.h"

#include <math.h>

static uint64_t highest_at(const struct arrival_order *order, size_t index)
{
    return *(const uint64_t *) rows_at(&order->highest, index);
}

/* The first arrival with a larger number: what is highest so far only grows. */
static size_t first_above(const struct arrival_order *order, uint64_t sequence)
{
    size_t low = 0, high = order->highest.count;

    while (low < high) {
        const size_t middle = low + (high - low) / 2;

        if (highest_at(order, middle) > sequence)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

uint64_t arrival_order_add(struct arrival_order *order, uint64_t sequence)
{
    const size_t count = order->highest.count;
    const uint64_t extent = count - first_above(order, sequence);
    const uint64_t highest = extent ? highest_at(order, count - 1) : sequence;

    *(uint64_t *) rows_add(&order->highest) = highest;
    order->reordered_count += extent > 0;
    if (extent > order->most_extent)
        order->most_extent = extent;
    return extent;
}

void arrival_order_clear(struct arrival_order *order)
{
    rows_clear(&order->highest);
}

void copies_add(struct copies *copies, uint64_t count)
{
    if (!count)
        return;
    copies->packet_count++;
    copies->repeated_count += count > 1;
    copies->further_count += count - 1;
}

static double share_of(uint64_t part, uint64_t whole)
{
    return whole ? (double) part / (double) whole : (double) NAN;
}

double copies_fraction(const struct copies *copies)
{
    return share_of(copies->further_count, copies->packet_count);
}

double copies_repeated_ratio(const struct copies *copies)
{
    return share_of(copies->repeated_count, copies->packet_count);
}
