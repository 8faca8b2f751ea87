/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/arrivals.h"

#include <bothends/kinds/download.h>
#include <stdlib.h>

static int compare_arrivals(const void *left, const void *right)
{
    const struct download_arrival *a = left;
    const struct download_arrival *b = right;

    return (a->at_ns > b->at_ns) - (a->at_ns < b->at_ns);
}

static void *allocate(size_t count, size_t size)
{
    void *memory = calloc(count ? count : 1, size);

    if (!memory)
        abort();
    return memory;
}

void arrivals_open(struct arrivals *arrivals)
{
    *arrivals = (struct arrivals){ .stride = 1 };
}

static void make_room(struct arrivals *arrivals)
{
    const size_t room = arrivals->room ? 2 * arrivals->room : 1024;

    arrivals->at_ns = realloc(arrivals->at_ns, room * sizeof(*arrivals->at_ns));
    arrivals->sum_bytes =
        realloc(arrivals->sum_bytes, room * sizeof(*arrivals->sum_bytes));
    if (!arrivals->at_ns || !arrivals->sum_bytes)
        abort();
    arrivals->room = room;
}

/* Sums stay true when entries between others go. */
static void thin(struct arrivals *arrivals)
{
    for (size_t i = 1; 2 * i < arrivals->count; i++) {
        arrivals->at_ns[i] = arrivals->at_ns[2 * i];
        arrivals->sum_bytes[i] = arrivals->sum_bytes[2 * i];
    }
    arrivals->count = (arrivals->count + 1) / 2;
    arrivals->stride *= 2;
}

void arrivals_add(struct arrivals *arrivals, uint64_t at_ns, uint64_t bytes)
{
    const size_t count = arrivals->count;
    const double sum_bytes =
        (count ? arrivals->sum_bytes[count - 1] : 0) + (double) bytes;

    if (!bytes)
        return;
    const bool is_same = count && arrivals->at_ns[count - 1] == at_ns;

    /* The first entry is what spans begin with: it takes in no later one. */
    if (is_same || (count > 1 && arrivals->merged < arrivals->stride)) {
        arrivals->at_ns[count - 1] = at_ns;
        arrivals->sum_bytes[count - 1] = sum_bytes;
        arrivals->merged += !is_same;
        return;
    }
    if (count == ARRIVALS_MOST)
        thin(arrivals);
    if (arrivals->count == arrivals->room)
        make_room(arrivals);
    arrivals->at_ns[arrivals->count] = at_ns;
    arrivals->sum_bytes[arrivals->count++] = sum_bytes;
    arrivals->merged = 1;
}

void arrivals_init(struct arrivals *arrivals, const struct rows *rows)
{
    struct download_arrival *sorted = allocate(rows->count, sizeof(*sorted));

    arrivals_open(arrivals);
    if (rows->count) {
        (void) memcpy(sorted, rows->data, rows->count * sizeof(*sorted));
        qsort(sorted, rows->count, sizeof(*sorted), compare_arrivals);
    }
    for (size_t i = 0; i < rows->count; i++)
        arrivals_add(arrivals, sorted[i].at_ns, sorted[i].bytes);
    free(sorted);
}

void arrivals_clear(struct arrivals *arrivals)
{
    free(arrivals->at_ns);
    free(arrivals->sum_bytes);
    *arrivals = (struct arrivals){ 0 };
}

size_t arrivals_until(const struct arrivals *arrivals, uint64_t at_ns)
{
    size_t from = 0;
    size_t to = arrivals->count;

    while (from < to) {
        const size_t middle = (from + to) / 2;

        if (arrivals->at_ns[middle] <= at_ns)
            from = middle + 1;
        else
            to = middle;
    }
    return from;
}

double arrivals_bytes_by(const struct arrivals *arrivals, uint64_t at_ns)
{
    const size_t next = arrivals_until(arrivals, at_ns);

    if (!arrivals->count)
        return 0;
    if (next == 0)
        return arrivals->sum_bytes[0];
    if (next == arrivals->count)
        return arrivals->sum_bytes[next - 1];
    const double gap_ns =
        (double) (arrivals->at_ns[next] - arrivals->at_ns[next - 1]);
    const double share = (double) (at_ns - arrivals->at_ns[next - 1]) / gap_ns;

    return arrivals->sum_bytes[next - 1]
           + share
                 * (arrivals->sum_bytes[next] - arrivals->sum_bytes[next - 1]);
}

double *arrivals_rates_bps(const struct arrivals *arrivals, uint64_t from_ns,
                           double interval_ns, size_t count)
{
    double *rates_bps = allocate(count, sizeof(*rates_bps));
    double before_bytes = arrivals_bytes_by(arrivals, from_ns);

    for (size_t i = 0; i < count; i++) {
        /* Each edge from the start, so that they never drift. */
        const uint64_t edge_ns =
            from_ns + (uint64_t) ((double) (i + 1) * interval_ns);
        const double by_bytes = arrivals_bytes_by(arrivals, edge_ns);

        rates_bps[i] = 8 * (by_bytes - before_bytes) / (interval_ns * 1e-9);
        before_bytes = by_bytes;
    }
    return rates_bps;
}
