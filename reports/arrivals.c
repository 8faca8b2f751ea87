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

void arrivals_init(struct arrivals *arrivals, const struct rows *rows)
{
    struct download_arrival *sorted = allocate(rows->count, sizeof(*sorted));
    double sum_bytes = 0;

    *arrivals = (struct arrivals){
        .at_ns = allocate(rows->count, sizeof(*arrivals->at_ns)),
        .sum_bytes = allocate(rows->count, sizeof(*arrivals->sum_bytes)),
    };
    if (rows->count) {
        (void) memcpy(sorted, rows->data, rows->count * sizeof(*sorted));
        qsort(sorted, rows->count, sizeof(*sorted), compare_arrivals);
    }
    for (size_t i = 0; i < rows->count; i++) {
        if (!sorted[i].bytes)
            continue;
        const size_t count = arrivals->count;
        const bool is_same =
            count && arrivals->at_ns[count - 1] == sorted[i].at_ns;
        const size_t place = is_same ? count - 1 : arrivals->count++;

        sum_bytes += (double) sorted[i].bytes;
        arrivals->at_ns[place] = sorted[i].at_ns;
        arrivals->sum_bytes[place] = sum_bytes;
    }
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
