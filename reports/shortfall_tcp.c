/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

#include <bothends/kinds/download.h>

/*
 * What the sender's TCP says: four times a second it told its counters of time
 * with data to send, of time held by the receiver's window and by the send
 * buffer, its window, and what it sent again.
 */
#define CONNECTIONS_MOST 16
/* The longest that slow start can take, in needed round trips. */
#define START_ROUNDS 20.0
/* New ones that TCP sends to try: one while nothing is reported to have come
 * (RFC 8985 section 7), two at the first report after a time-out (RFC 5682),
 * which may be of one that had come before. */
#define TRIED_SEGMENTS 3.0

static uint64_t on_receiver(uint64_t at_ns, int64_t to_receiver_ns)
{
    /* Whatever an account says: unsigned, for it may not fit. */
    return at_ns + (uint64_t) to_receiver_ns;
}

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

static void watch(struct evidence *evidence, const struct rows *tcp,
                  int64_t to_receiver_ns, struct watched *watched)
{
    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns = on_receiver(row->at_ns, to_receiver_ns);

        if (row->connection >= CONNECTIONS_MOST || at_ns > evidence->until_ns)
            continue;
        struct watched *one = &watched[row->connection];

        if (!one->first)
            one->first = row;
        one->last = row;
        one->rows++;
        one->held_rows += is_held_down(evidence, row);
    }
}

static double share_of(uint64_t from, uint64_t to, double took_us)
{
    return to > from ? (double) (to - from) / took_us : 0;
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
    }
    evidence->has_tcp = connections > 0;
    if (!evidence->has_tcp)
        return;
    evidence->idle_ratio /= connections;
    evidence->receiver_ratio /= connections;
    evidence->buffer_ratio /= connections;
    evidence->held_ratio /= connections;
}

/* --- gaps ----------------------------------------------------------------- */

/* All connections' counters around a gap. */
struct around {
    double busy_us, receiver_us, took_us;
    double repeated_bytes;
    double variation_s;
};

static struct around around_gap(const struct rows *tcp, int64_t to_receiver_ns,
                                uint64_t from_ns, uint64_t to_ns)
{
    const struct download_tcp *before[CONNECTIONS_MOST] = { NULL };
    const struct download_tcp *after[CONNECTIONS_MOST] = { NULL };
    struct around around = { 0 };

    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns = on_receiver(row->at_ns, to_receiver_ns);

        if (row->connection >= CONNECTIONS_MOST)
            continue;
        if (at_ns <= from_ns || !before[row->connection])
            before[row->connection] = row;
        if (at_ns <= to_ns || !after[row->connection])
            after[row->connection] = row;
    }
    for (size_t i = 0; i < CONNECTIONS_MOST; i++) {
        if (!before[i] || after[i]->at_ns <= before[i]->at_ns)
            continue;
        around.took_us += (double) (after[i]->at_ns - before[i]->at_ns) * 1e-3;
        around.busy_us += (double) (after[i]->busy_us - before[i]->busy_us);
        around.receiver_us += (double) (after[i]->receiver_limited_us
                                        - before[i]->receiver_limited_us);
        around.repeated_bytes +=
            (double) (after[i]->repeated_bytes - before[i]->repeated_bytes);
        around.variation_s = fmax(around.variation_s,
                                  (double) before[i]->rtt_variation_us * 1e-6);
    }
    return around;
}

/*
 * How long, until the end of a gap, no new data went out.  They go out as
 * others are reported to have come, also those that a lost one holds back; when
 * nothing crosses they fill the window that was still open, and a few more may
 * try whether anybody is there.  0: more than a few went out, for a link so
 * slow.
 */
static double still_s(const struct evidence *evidence, const struct rows *tcp,
                      int64_t to_receiver_ns, uint64_t from_ns, uint64_t to_ns)
{
    double latest_bytes[CONNECTIONS_MOST] = { 0 };
    double tried_bytes[CONNECTIONS_MOST] = { 0 };
    double all_bytes = 0;
    uint64_t since_ns = to_ns;

    for (size_t i = tcp->count; i-- > 0 && since_ns > from_ns;) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns = on_receiver(row->at_ns, to_receiver_ns);
        const double new_bytes =
            (double) row->sent_bytes - (double) row->repeated_bytes;

        if (row->connection >= CONNECTIONS_MOST || at_ns > to_ns)
            continue;
        double *latest = &latest_bytes[row->connection];

        *latest = fmax(*latest, new_bytes);
        if (*latest - new_bytes > TRIED_SEGMENTS * (double) row->segment_bytes)
            break;
        tried_bytes[row->connection] = *latest - new_bytes;
        since_ns = at_ns;
    }
    const double quiet_s =
        (double) (to_ns - (since_ns > from_ns ? since_ns : from_ns)) * 1e-9;

    for (size_t i = 0; i < CONNECTIONS_MOST; i++)
        all_bytes += tried_bytes[i];
    return all_bytes * BITS_PER_BYTE / evidence->expected_bps
                   > OUTAGE_CAME_RATIO * quiet_s
               ? 0
               : quiet_s;
}

/* A lost segment holds back those behind it: they come all at once when it is
 * there, and meanwhile the link has worked.  The last gap may go on beyond the
 * span. */
static double came_at_once_bytes(const struct evidence *evidence,
                                 const struct arrivals *arrivals,
                                 uint64_t from_ns, uint64_t to_ns)
{
    const size_t before = arrivals_until(arrivals, from_ns);
    const uint64_t over_ns =
        before < arrivals->count && arrivals->at_ns[before] > to_ns
            ? arrivals->at_ns[before]
            : to_ns;
    const size_t until = arrivals_until(
        arrivals,
        over_ns
            + (uint64_t) (CAME_CYCLES * fmax(evidence->cycle_s, 0.05) * 1e9));

    return until ? arrivals->sum_bytes[until - 1]
                       - (before ? arrivals->sum_bytes[before - 1] : 0)
                 : 0;
}

/* Nothing to send, or the receiver did not want it: no outage. */
static bool was_sending(const struct around *around)
{
    return around->busy_us >= around->took_us / 2
           && around->receiver_us <= around->took_us / 2;
}

static void weigh_gap(struct evidence *evidence,
                      const struct arrivals *arrivals, const struct rows *tcp,
                      int64_t to_receiver_ns, uint64_t from_ns, uint64_t to_ns)
{
    const double gap_s =
        to_ns > from_ns ? (double) (to_ns - from_ns) * 1e-9 : 0;
    const double cycle_s = isnan(evidence->cycle_s) ? 0 : evidence->cycle_s;
    const double least_s = fmax(OUTAGE_LEAST_S, OUTAGE_LEAST_CYCLES * cycle_s);

    if (gap_s < least_s)
        return;
    const struct around around =
        around_gap(tcp, to_receiver_ns, from_ns, to_ns);
    const double quiet_s =
        around.took_us > 0
            ? still_s(evidence, tcp, to_receiver_ns, from_ns, to_ns)
            : gap_s;
    const double came_s = came_at_once_bytes(evidence, arrivals, from_ns, to_ns)
                          * BITS_PER_BYTE / evidence->expected_bps;

    if (!was_sending(&around) || quiet_s < least_s
        || gap_s < OUTAGE_VARIATIONS * around.variation_s
        || came_s > gap_s - quiet_s + OUTAGE_CAME_RATIO * quiet_s)
        return;
    evidence->outage_count++;
    evidence->outage_s += fmax(0, gap_s - fmax(cycle_s, came_s));
    /* What was in flight is sent again once it is over. */
    const uint64_t after_ns =
        to_ns + (to_ns - from_ns) / 2 + (uint64_t) (OUTAGE_LEAST_S * 1e9);

    evidence->repeated_outside_bytes -=
        around_gap(tcp, to_receiver_ns, from_ns, after_ns).repeated_bytes;
}

static void find_outages(struct evidence *evidence,
                         const struct arrivals *arrivals,
                         const struct rows *tcp, int64_t to_receiver_ns)
{
    uint64_t last_ns = evidence->from_ns;

    for (size_t i = 0;
         i < arrivals->count && arrivals->at_ns[i] <= evidence->until_ns; i++) {
        weigh_gap(evidence, arrivals, tcp, to_receiver_ns, last_ns,
                  arrivals->at_ns[i]);
        last_ns = arrivals->at_ns[i];
    }
    weigh_gap(evidence, arrivals, tcp, to_receiver_ns, last_ns,
              evidence->until_ns);
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
        const uint64_t at_ns = on_receiver(row->at_ns, to_receiver_ns);
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
    }
    if (over_ns <= first_ns || over_ns > evidence->until_ns)
        return;
    const double slow_s = (double) (over_ns - first_ns) * 1e-9;
    const double came_bytes =
        arrivals_bytes_by(arrivals, over_ns) - arrivals->sum_bytes[0];

    evidence->start_bytes += fmax(0, expected_rate * slow_s - came_bytes);
    evidence->start_s += slow_s;
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
    find_outages(evidence, arrivals, tcp, to_receiver_ns);
    evidence->repeated_outside_bytes =
        fmax(0, evidence->repeated_outside_bytes);
    if (arrivals->count)
        find_start(evidence, arrivals, tcp, to_receiver_ns);
}
