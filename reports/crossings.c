/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/crossings_inside.h"

#include "reports/clock_pair.h"

/* --- what the sender says ------------------------------------------------- */

/* Which reply came as the n-th, for their order: a reply's number among those
 * that came is the sender's word, and may be any. */
struct returns {
    uint64_t *sequences; /* as the reflector numbered them */
    bool *is_there;
    size_t count;
};

static struct returns returns_new(size_t count)
{
    struct returns returns = { calloc(count + 1, sizeof(uint64_t)),
                               calloc(count + 1, sizeof(bool)), count };

    if (!returns.sequences || !returns.is_there)
        abort();
    return returns;
}

static void returns_clear(struct returns *returns)
{
    free(returns->sequences);
    free(returns->is_there);
}

static void note_return(struct returns *returns,
                        const struct timing_probe *probe)
{
    if (!probe->reply_number || probe->reply_number > returns->count)
        return;
    returns->sequences[probe->reply_number - 1] = probe->reply_sequence;
    returns->is_there[probe->reply_number - 1] = true;
}

static void order_returns(const struct returns *returns,
                          struct arrival_order *order)
{
    for (size_t i = 0; i < returns->count; i++) {
        if (returns->is_there[i])
            (void) arrival_order_add(order, returns->sequences[i]);
    }
}

static void keep_ttl(struct crossings *crossings, uint64_t ttl)
{
    if (!ttl)
        return;
    if (!crossings->least_ttl || ttl < crossings->least_ttl)
        crossings->least_ttl = ttl;
    if (ttl > crossings->most_ttl)
        crossings->most_ttl = ttl;
}

static void take_probe(struct crossings *crossings, struct returns *returns,
                       const struct timing_probe *probe)
{
    struct crossing *crossing = rows_add(&crossings->probes);

    crossing->ways[WAY_THERE].is_sent = true;
    crossing->ways[WAY_THERE].sent_ns = (int64_t) probe->sent_ns;
    crossing->is_answered = probe->state == PROBE_ANSWERED;
    crossing->is_after_pause = probe->after_pause;
    if (!probe->received_ns)
        return;
    crossing->ways[WAY_BACK].has_arrived = true;
    crossing->ways[WAY_BACK].arrived_ns = (int64_t) probe->received_ns;
    copies_add(&crossings->copies[WAY_BACK], 1 + probe->duplicates_count);
    note_return(returns, probe);
    keep_ttl(crossings, probe->reply_ttl);
}

/* --- what the reflector says ---------------------------------------------- */

/* In the order of the sender's rows, so that its probes are found. */
struct numbers {
    const uint64_t *sequences; /* of the probes that were sent */
    uint64_t *copies;          /* how often each of them came */
    size_t count;
};

/* The place of that probe; count: there is none. */
static size_t find_number(const struct numbers *numbers, uint64_t sequence)
{
    size_t low = 0, high = numbers->count;

    while (low < high) {
        const size_t middle = low + (high - low) / 2;

        if (numbers->sequences[middle] < sequence)
            low = middle + 1;
        else
            high = middle;
    }
    return low < numbers->count && numbers->sequences[low] == sequence
               ? low
               : numbers->count;
}

static void take_arrival(struct crossings *crossings,
                         const struct numbers *numbers,
                         const struct timing_arrival *arrival)
{
    const size_t place = find_number(numbers, arrival->sequence);

    if (place == numbers->count)
        return;
    struct crossing *crossing = rows_at(&crossings->probes, place);

    if (numbers->copies[place]++)
        return;
    crossing->ways[WAY_THERE].has_arrived = true;
    crossing->ways[WAY_THERE].arrived_ns = (int64_t) arrival->arrived_ns;
    (void) arrival_order_add(&crossings->orders[WAY_THERE], arrival->sequence);
    if (!arrival->replied_ns)
        return;
    crossing->ways[WAY_BACK].is_sent = true;
    crossing->ways[WAY_BACK].sent_ns = (int64_t) arrival->replied_ns;
}

/* --- both ----------------------------------------------------------------- */

static int read_arrivals(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const struct numbers *numbers,
                         struct crossings *crossings, struct fault *fault)
{
    struct rows rows = { .row_size = sizeof(struct timing_arrival) };
    const int code = reduction_read_series(
        reduction, exchange, &exchange->to_account, "arrivals", &rows, fault);

    for (size_t i = 0; i < rows.count; i++)
        take_arrival(crossings, numbers, rows_at(&rows, i));
    for (size_t i = 0; i < numbers->count; i++)
        copies_add(&crossings->copies[WAY_THERE], numbers->copies[i]);
    rows_clear(&rows);
    return code;
}

/* A reply proves that its probe arrived, also where the reflector's record
 * lacks it: then the stamps are missing. */
static void complete(struct crossings *crossings)
{
    for (size_t i = 0; i < crossings->probes.count; i++) {
        struct crossing *crossing = rows_at(&crossings->probes, i);

        for (int way = 0; way < WAYS_OF_TWO; way++)
            crossing->ways[way].has_stamps =
                crossing->ways[way].is_sent && crossing->ways[way].has_arrived
                && crossing_is_stamp(crossing->ways[way].sent_ns)
                && crossing_is_stamp(crossing->ways[way].arrived_ns);
        if (!crossing->ways[WAY_BACK].has_arrived)
            continue;
        crossing->ways[WAY_THERE].has_arrived = true;
        crossing->ways[WAY_BACK].is_sent = true;
    }
}

static bool is_far_missing(const struct exchange_record *exchange)
{
    char why[160];

    return reduction_is_account_missing(&exchange->to_account, exchange->to,
                                        why, sizeof(why));
}

static int join(const struct reduction *reduction,
                const struct exchange_record *exchange, const struct rows *sent,
                struct crossings *crossings, struct fault *fault)
{
    struct returns returns = returns_new(sent->count);
    uint64_t *sequences = calloc(sent->count + 1, sizeof(*sequences));
    uint64_t *copies = calloc(sent->count + 1, sizeof(*copies));
    struct numbers numbers = { sequences, copies, 0 };

    if (!sequences || !copies)
        abort();
    for (size_t i = 0; i < sent->count; i++) {
        const struct timing_probe *probe = rows_at(sent, i);

        if (probe->state == PROBE_UNSENT)
            continue;
        sequences[numbers.count++] = probe->sequence;
        take_probe(crossings, &returns, probe);
    }
    order_returns(&returns, &crossings->orders[WAY_BACK]);
    int code = 0;

    if (is_far_missing(exchange)) {
        crossings_take_near(crossings, sent);
    } else {
        code = read_arrivals(reduction, exchange, &numbers, crossings, fault);
        complete(crossings);
    }
    returns_clear(&returns);
    free(sequences);
    free(copies);
    return code;
}

int crossings_read(const struct reduction *reduction,
                   const struct exchange_record *exchange,
                   struct crossings *ret_crossings, struct fault *fault)
{
    struct rows sent = { .row_size = sizeof(struct timing_probe) };

    *ret_crossings = (struct crossings){
        .probes.row_size = sizeof(struct crossing),
        .orders = { { .highest.row_size = sizeof(uint64_t) },
                    { .highest.row_size = sizeof(uint64_t) } },
    };
    int code = reduction_read_series(
        reduction, exchange, &exchange->from_account, "probes", &sent, fault);

    if (!code)
        code = join(reduction, exchange, &sent, ret_crossings, fault);
    rows_clear(&sent);
    return code;
}

void crossings_clear(struct crossings *crossings)
{
    rows_clear(&crossings->probes);
    for (int way = 0; way < WAYS_OF_TWO; way++)
        arrival_order_clear(&crossings->orders[way]);
}

bool crossing_has_trip(const struct crossing *crossing)
{
    return crossing->ways[WAY_THERE].has_stamps
           && crossing->ways[WAY_BACK].has_stamps;
}

int64_t crossing_trip_ns(const struct crossing *crossing)
{
    return four_stamps_trip_ns(&(struct four_stamps){
        crossing->ways[WAY_THERE].sent_ns, crossing->ways[WAY_THERE].arrived_ns,
        crossing->ways[WAY_BACK].sent_ns,
        crossing->ways[WAY_BACK].arrived_ns });
}
