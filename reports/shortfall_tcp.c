/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

#include <bothends/kinds/download.h>

/*
 * What the sender's TCP says: four times a second it told its counters of time
 * with data to send, of time held by the receiver's window and by the send
 * buffer, its window, and what it sent again.
 */
/* The longest that slow start can take, in needed round trips. */
#define START_ROUNDS 20.0

/* What the link needs in flight to be never without data. */
static double needed_bytes(const struct evidence *evidence)
{
    return evidence->expected_bps / BITS_PER_BYTE * WINDOW_CYCLES
           * evidence->cycle_s;
}

static bool is_held_down(const struct evidence *evidence,
                         const struct download_tcp *row)
{
    const double window_bytes =
        (double) row->window_segments * evidence->segment_bytes;

    if (!row->repeated_bytes)
        return false;
    return row->lost_segments > 0
           || (window_bytes < needed_bytes(evidence)
               && row->unacked_segments + 1 >= row->window_segments);
}

/* --- one connection ------------------------------------------------------- */

struct watched {
    const struct download_tcp *first, *last;
    double held_rows, rows;
};

/* By now, of all connections; what is taken for lost is not on its way. */
struct in_flight {
    double bytes[CONNECTIONS_MOST];
    double supplied_rows, rows;
};

static void take_flight(const struct evidence *evidence,
                        const struct download_tcp *row,
                        struct in_flight *in_flight)
{
    double all_bytes = 0;

    in_flight->bytes[row->connection] =
        row->unacked_segments > row->lost_segments
            ? (double) (row->unacked_segments - row->lost_segments)
                  * evidence->segment_bytes
            : 0;
    for (size_t i = 0; i < CONNECTIONS_MOST; i++)
        all_bytes += in_flight->bytes[i];
    in_flight->rows++;
    in_flight->supplied_rows += all_bytes >= needed_bytes(evidence);
}

static void watch(struct evidence *evidence, const struct rows *tcp,
                  int64_t to_receiver_ns, struct watched *watched)
{
    struct in_flight in_flight = { 0 };

    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns =
            evidence_at_receiver_ns(row->at_ns, to_receiver_ns);

        if (row->connection >= CONNECTIONS_MOST || at_ns > evidence->until_ns)
            continue;
        struct watched *one = &watched[row->connection];

        if (!one->first)
            one->first = row;
        one->last = row;
        one->rows++;
        one->held_rows += is_held_down(evidence, row);
        take_flight(evidence, row, &in_flight);
    }
    if (in_flight.rows > 0)
        evidence->supplied_ratio = in_flight.supplied_rows / in_flight.rows;
}

static double share_of(uint64_t from, uint64_t to, double took_us)
{
    return to > from ? (double) (to - from) / took_us : 0;
}

/* More than was sent again came twice on the way: then nobody knows of which
 * the receiver tells. */
static double needless_bytes(const struct download_tcp *last)
{
    const double bytes =
        (double) last->needless_count * (double) last->segment_bytes;

    return bytes <= (double) last->repeated_bytes ? bytes : 0;
}

static void add_shares(struct evidence *evidence, const struct watched *watched)
{
    double connections = 0;

    for (size_t i = 0; i < CONNECTIONS_MOST; i++) {
        const struct watched *one = &watched[i];

        if (!one->first || one->last->at_ns <= one->first->at_ns)
            continue;
        const double took_us =
            (double) (one->last->at_ns - one->first->at_ns) * 1e-3;

        connections++;
        evidence->idle_ratio += fmax(
            0, 1 - share_of(one->first->busy_us, one->last->busy_us, took_us));
        evidence->receiver_ratio +=
            share_of(one->first->receiver_limited_us,
                     one->last->receiver_limited_us, took_us);
        evidence->buffer_ratio +=
            share_of(one->first->buffer_limited_us,
                     one->last->buffer_limited_us, took_us);
        evidence->held_ratio += one->held_rows / one->rows;
        evidence->sent_bytes += (double) one->last->sent_bytes;
        evidence->repeated_bytes += (double) one->last->repeated_bytes;
        evidence->needless_bytes += needless_bytes(one->last);
        evidence->reordered_count += (double) one->last->reordering_count;
    }
    evidence->has_tcp = connections > 0;
    if (!evidence->has_tcp)
        return;
    evidence->idle_ratio /= connections;
    evidence->receiver_ratio /= connections;
    evidence->buffer_ratio /= connections;
    evidence->held_ratio /= connections;
}

double evidence_held_bytes(const struct rows *tcp, int64_t to_receiver_ns,
                           uint64_t at_ns)
{
    double held_bytes[CONNECTIONS_MOST] = { 0 };
    double all_bytes = 0;

    if (!evidence_tells_quiet(tcp))
        return (double) NAN;
    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);

        if (row->connection < CONNECTIONS_MOST
            && evidence_at_receiver_ns(row->at_ns, to_receiver_ns) <= at_ns)
            held_bytes[row->connection] =
                (double) row->sacked_segments * (double) row->segment_bytes;
    }
    for (size_t i = 0; i < CONNECTIONS_MOST; i++)
        all_bytes += held_bytes[i];
    return all_bytes;
}

/* --- the start ------------------------------------------------------------ */

/* Slow start is over when the window holds what the link needs, or something
 * else has ended it. */
static uint64_t start_over_ns(const struct evidence *evidence,
                              const struct rows *tcp, int64_t to_receiver_ns,
                              uint64_t first_ns)
{
    const double most_ns =
        START_ROUNDS * WINDOW_CYCLES * evidence->cycle_s * 1e9;

    if (isnan(evidence->cycle_s))
        return first_ns;
    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns =
            evidence_at_receiver_ns(row->at_ns, to_receiver_ns);
        const double window_bytes =
            (double) row->window_segments * evidence->segment_bytes;

        if (at_ns <= first_ns)
            continue;
        if (window_bytes >= needed_bytes(evidence) || row->repeated_bytes
            || row->receiver_limited_us || row->buffer_limited_us
            || (double) row->busy_us + 500000
                   < (double) (at_ns - evidence->from_ns) * 1e-3
            || (double) (at_ns - evidence->from_ns) > most_ns)
            return i ? at_ns : first_ns;
    }
    return first_ns;
}

static void find_start(struct evidence *evidence,
                       const struct arrivals *arrivals, const struct rows *tcp,
                       int64_t to_receiver_ns)
{
    const double expected_rate = evidence->expected_bps / BITS_PER_BYTE;
    const uint64_t first_ns = arrivals->at_ns[0];
    const double wait_s = first_ns > evidence->from_ns
                              ? (double) (first_ns - evidence->from_ns) * 1e-9
                              : 0;
    const uint64_t over_ns =
        start_over_ns(evidence, tcp, to_receiver_ns, first_ns);

    /* A wait that was an outage is counted there. */
    if (wait_s < OUTAGE_LEAST_S) {
        evidence->start_bytes =
            fmax(0, expected_rate * wait_s - arrivals->sum_bytes[0]);
        evidence->start_s = wait_s;
        evidence->start_came_bytes = arrivals->sum_bytes[0];
    }
    if (over_ns <= first_ns || over_ns > evidence->until_ns)
        return;
    const double slow_s = (double) (over_ns - first_ns) * 1e-9;
    const double came_bytes =
        arrivals_bytes_by(arrivals, over_ns) - arrivals->sum_bytes[0];

    evidence->start_bytes += fmax(0, expected_rate * slow_s - came_bytes);
    evidence->start_s += slow_s;
    evidence->start_came_bytes += came_bytes;
}

void evidence_take_tcp(struct evidence *evidence,
                       const struct arrivals *arrivals, const struct rows *tcp,
                       int64_t to_receiver_ns)
{
    struct watched watched[CONNECTIONS_MOST] = { 0 };

    if (tcp->count)
        evidence->segment_bytes =
            (double) ((const struct download_tcp *) rows_at(tcp,
                                                            tcp->count - 1))
                ->segment_bytes;
    watch(evidence, tcp, to_receiver_ns, watched);
    add_shares(evidence, watched);
    evidence->repeated_outside_bytes = evidence->repeated_bytes;
    evidence_find_outages(evidence, arrivals, tcp, to_receiver_ns);
    evidence->repeated_outside_bytes =
        fmax(0, evidence->repeated_outside_bytes);
    if (arrivals->count)
        find_start(evidence, arrivals, tcp, to_receiver_ns);
}
