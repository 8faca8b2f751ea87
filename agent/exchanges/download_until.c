/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/download_parts.h"
#include "agent/memory.h"

/*
 * Until the goodput is known well enough: the receiver keeps the rate of every
 * whole access cycle as the data arrive, looks at them by the rule of
 * bothends/looks.h, and breaks the connections off when it knows enough.  What
 * the radios have queued by then is lost on purpose; the sender's TCP is told
 * by a reset, and there is no backlog.
 */

/* Where no cycle is known: 60 intervals in the least time. */
#define CYCLE_UNKNOWN_NS 250e6
/* A record has no more cycles than this; on a fast link some are taken as one.
 */
#define CYCLES_MOST 1e6

static double cycle_length_ns(const struct download *download)
{
    const double known_ns =
        exchange_order_of(download->exchange)->expected_cycle_ns;
    const double cycle_ns = known_ns > 0 ? known_ns : CYCLE_UNKNOWN_NS;
    const double least_ns = (double) download->spec.at_most_ns / CYCLES_MOST;

    return cycle_ns * ceil(fmax(1, least_ns / cycle_ns));
}

static bool is_looking(const struct download *download)
{
    return download_is_until(&download->spec) && !download->is_sender;
}

/* --- the record ---------------------------------------------------------- */

static void add_bits(struct cycle_record *record, double from_ns, double to_ns,
                     double bits)
{
    const size_t first = (size_t) (from_ns / record->cycle_ns);
    const size_t last = (size_t) (to_ns / record->cycle_ns);

    if (last >= record->room) {
        const size_t room = 2 * last + 64;

        record->rates_bps = mem_checked(
            realloc(record->rates_bps, room * sizeof(*record->rates_bps)));
        memset(record->rates_bps + record->room, 0,
               (room - record->room) * sizeof(*record->rates_bps));
        record->room = room;
    }
    for (size_t i = first; i <= last; i++) {
        const double begin_ns = fmax(from_ns, (double) i * record->cycle_ns);
        const double end_ns = fmin(to_ns, (double) (i + 1) * record->cycle_ns);
        const double share =
            to_ns > from_ns ? (end_ns - begin_ns) / (to_ns - from_ns) : 1;

        record->rates_bps[i] += bits * share / record->cycle_ns * 1e9;
    }
}

/* As the reducer takes it: what arrives came in evenly since the arrival
 * before, and the first arrival's bytes only start the clock. */
void download_until_note(struct download *download, uint64_t at_ns,
                         size_t content_bytes)
{
    struct cycle_record *record = &download->cycles;

    if (!is_looking(download) || at_ns > download_end_ns(download))
        return;
    if (!record->first_ns) {
        record->cycle_ns = cycle_length_ns(download);
        record->first_ns = record->last_ns = at_ns;
        return;
    }
    add_bits(record, (double) (record->last_ns - record->first_ns),
             (double) (at_ns - record->first_ns),
             (double) (content_bytes * BITS_PER_BYTE));
    record->last_ns = at_ns;
}

/* --- the looks ----------------------------------------------------------- */

static bool look(struct download *download, double left_ns)
{
    const struct cycle_record *record = &download->cycles;

    if (!record->first_ns)
        return false;
    const double span_ns = (double) (record->last_ns - record->first_ns);
    const size_t count = (size_t) (span_ns / record->cycle_ns);

    return looks_at_rates(&download->looks, record->rates_bps, count,
                          record->cycle_ns, left_ns);
}

void download_until_look(struct download *download)
{
    const uint64_t now_ns = clock_now_ns();
    const uint64_t end_ns = download_end_ns(download);

    if (!is_looking(download) || now_ns >= end_ns)
        return;
    download->is_within = look(download, (double) (end_ns - now_ns));
    if (download->is_within)
        download_end(download);
}

void download_until_tell(struct download *download,
                         struct looks_outcome *ret_outcome)
{
    if (!is_looking(download))
        return;
    if (!download->is_within && clock_now_ns() >= download_end_ns(download))
        download->is_within = look(download, 0);
    looks_tell(&download->looks, download->is_within, ret_outcome);
}

bool download_until_was_ended(const struct data_connection *connection)
{
    const struct download *download = connection->download;

    return download->is_sender && download_is_until(&download->spec)
           && connection->row.content_bytes > 0;
}
