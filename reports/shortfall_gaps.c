/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

#include <bothends/kinds/download.h>

/*
 * Gaps in which nothing arrived: was the link down, or did TCP wait for a lost
 * segment while others crossed?  A sender's TCP that hears nothing for so long
 * says it outright; one of a system that does not tell, by what it sent.
 */
/* New ones that TCP sends to try: one while nothing is reported to have come
 * (RFC 8985 section 7), two at the first report after a time-out (RFC 5682),
 * which may be of one that had come before. */
#define TRIED_SEGMENTS 3.0

static double known_cycle_s(const struct evidence *evidence)
{
    return isnan(evidence->cycle_s) ? 0 : evidence->cycle_s;
}

static double outage_least_s(const struct evidence *evidence)
{
    return fmax(OUTAGE_LEAST_S, OUTAGE_LEAST_CYCLES * known_cycle_s(evidence));
}

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
        const uint64_t at_ns =
            evidence_at_receiver_ns(row->at_ns, to_receiver_ns);

        if (row->connection >= CONNECTIONS_MOST)
            continue;
        if (at_ns <= from_ns || !before[row->connection])
            before[row->connection] = row;
        if (at_ns <= to_ns || !after[row->connection])
            after[row->connection] = row;
    }
    for (size_t i = 0; i < CONNECTIONS_MOST; i++) {
        if (!before[i] || !after[i] || after[i]->at_ns <= before[i]->at_ns)
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

/* --- what TCP heard ------------------------------------------------------- */

bool evidence_tells_quiet(const struct rows *tcp)
{
    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);

        if (row->quiet_us)
            return true;
    }
    return false;
}

/* The longest time within a gap in which no connection heard anything.  A lost
 * segment holds back what comes after it, but that is acknowledged all the
 * same. */
static double silent_s(const struct rows *tcp, int64_t to_receiver_ns,
                       uint64_t from_ns, uint64_t to_ns)
{
    uint64_t heard_ns = from_ns;
    uint64_t longest_ns = 0;

    for (size_t i = 0; i < tcp->count; i++) {
        const struct download_tcp *row = rows_at(tcp, i);
        const uint64_t at_ns =
            evidence_at_receiver_ns(row->at_ns, to_receiver_ns);
        const uint64_t until_ns = at_ns < to_ns ? at_ns : to_ns;
        const uint64_t quiet_ns = row->quiet_us * NS_PER_US;

        if (quiet_ns < at_ns && at_ns - quiet_ns > heard_ns)
            heard_ns = at_ns - quiet_ns;
        if (until_ns > heard_ns && until_ns - heard_ns > longest_ns)
            longest_ns = until_ns - heard_ns;
    }
    return (double) longest_ns * 1e-9;
}

/* --- what TCP sent -------------------------------------------------------- */

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
        const uint64_t at_ns =
            evidence_at_receiver_ns(row->at_ns, to_receiver_ns);
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

/* How long the link was down in that gap, by what TCP sent. */
static double down_by_sent_s(const struct evidence *evidence,
                             const struct arrivals *arrivals,
                             const struct rows *tcp, int64_t to_receiver_ns,
                             uint64_t from_ns, uint64_t to_ns)
{
    const double gap_s = (double) (to_ns - from_ns) * 1e-9;
    const struct around around =
        around_gap(tcp, to_receiver_ns, from_ns, to_ns);
    const double quiet_s =
        around.took_us > 0
            ? still_s(evidence, tcp, to_receiver_ns, from_ns, to_ns)
            : gap_s;
    const double came_s = came_at_once_bytes(evidence, arrivals, from_ns, to_ns)
                          * BITS_PER_BYTE / evidence->expected_bps;

    if (quiet_s < outage_least_s(evidence)
        || gap_s < OUTAGE_VARIATIONS * around.variation_s
        || came_s > gap_s - quiet_s + OUTAGE_CAME_RATIO * quiet_s)
        return 0;
    return fmax(0, gap_s - fmax(known_cycle_s(evidence), came_s));
}

/* ... by what it heard. */
static double down_by_heard_s(const struct evidence *evidence,
                              const struct rows *tcp, int64_t to_receiver_ns,
                              uint64_t from_ns, uint64_t to_ns)
{
    const double quiet_s = silent_s(tcp, to_receiver_ns, from_ns, to_ns);

    return quiet_s < outage_least_s(evidence)
               ? 0
               : quiet_s - known_cycle_s(evidence);
}

static void weigh_gap(struct evidence *evidence,
                      const struct arrivals *arrivals, const struct rows *tcp,
                      int64_t to_receiver_ns, uint64_t from_ns, uint64_t to_ns)
{
    if (to_ns <= from_ns
        || (double) (to_ns - from_ns) * 1e-9 < outage_least_s(evidence))
        return;
    const struct around around =
        around_gap(tcp, to_receiver_ns, from_ns, to_ns);
    const double down_s =
        evidence_tells_quiet(tcp)
            ? down_by_heard_s(evidence, tcp, to_receiver_ns, from_ns, to_ns)
            : down_by_sent_s(evidence, arrivals, tcp, to_receiver_ns, from_ns,
                             to_ns);

    if (!was_sending(&around) || !(down_s > 0))
        return;
    evidence->outage_count++;
    evidence->outage_s += down_s;
    /* What was in flight is sent again once it is over. */
    const uint64_t after_ns =
        to_ns + (to_ns - from_ns) / 2 + (uint64_t) (OUTAGE_LEAST_S * 1e9);

    evidence->repeated_outside_bytes -=
        around_gap(tcp, to_receiver_ns, from_ns, after_ns).repeated_bytes;
}

void evidence_find_outages(struct evidence *evidence,
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
