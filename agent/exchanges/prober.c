/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/prober.h"

#include "agent/clock.h"
#include "agent/memory.h"

/* After this long without traffic, addresses may have to be resolved anew and
 * a radio may have gone to slower polling. */
#define PAUSE_NS (5 * NS_PER_S)
/* A probe that is later than this is not sent: the computer slept, and sending
 * all that was missed in one go would measure our own queue. */
#define LATE_MOST_NS (NS_PER_S / 2)
/* A copy of an answer comes soon after it: for copies, a round trip is waited,
 * within these limits. */
#define COPIES_LEAST_NS (100 * NS_PER_MS)
#define COPIES_MOST_NS  NS_PER_S

/* The flow, top to bottom. */
static void on_next(void *owner);
static void on_socket(uv_poll_t *poll, int status, int events);
static void set_deadline(struct prober *prober);
static void settle(struct prober *prober);
static void close_prober(struct prober *prober);

static struct probe *probe_at(const struct prober *prober, uint64_t number)
{
    return rows_at(&prober->probes, number);
}

void prober_init(struct prober *prober, struct exchange *exchange,
                 const struct probing *probing,
                 const struct prober_calls *calls, void *owner)
{
    *prober = (struct prober){
        .exchange = exchange,
        .calls = calls,
        .owner = owner,
        .probing = *probing,
        .probes = { .row_size = sizeof(struct probe) },
        .looks = { .within_ratio = probing->within_ratio },
    };
    prober->schedule =
        probing_schedule(&prober->probing, exchange_order_of(exchange)->seed);
}

void prober_begin(struct prober *prober, int socket)
{
    uv_loop_t *loop = exchange_site_of(prober->exchange)->loop;
    int status = wake_init(&prober->next, loop, on_next, prober);

    if (status == 0) {
        prober->open_handles++;
        status = uv_poll_init(loop, &prober->poll, socket);
    }
    if (status != 0) {
        exchange_trouble(prober->exchange, "cannot probe: %s",
                         uv_strerror(status));
        close_prober(prober);
        return;
    }
    prober->open_handles++;
    prober->poll.data = prober;
    (void) uv_poll_start(&prober->poll, UV_READABLE | UV_PRIORITIZED,
                         on_socket);
    on_next(prober);
}

/* --- sending ------------------------------------------------------------- */

static void send_probe(struct prober *prober)
{
    const uint64_t number = prober->probes.count;
    const uint64_t at_ns = prober->schedule.at_ns;
    const uint64_t due_ns = exchange_start_ns(prober->exchange) + at_ns;
    struct probe *probe = rows_add(&prober->probes);
    int status = UV_ETIMEDOUT;

    *probe = (struct probe){
        .state = PROBE_LOST, /* until its answer comes */
        .planned_ns = due_ns,
        .sent_ns = due_ns,
        .sent_source = STAMP_AGENT,
        .after_pause = number == 0 || at_ns - prober->last_at_ns > PAUSE_NS,
        .stamp = UINT32_MAX,
    };
    prober->last_at_ns = at_ns;
    if (clock_now_ns() <= due_ns + LATE_MOST_NS)
        status = prober->calls->send(prober->owner, number, &probe->sent_ns,
                                     &probe->stamp);
    if (status == 0) {
        prober->outstanding_count++;
        return;
    }
    probe->state = PROBE_UNSENT;
    exchange_note(prober->exchange, "probe %llu not sent: %s",
                  (unsigned long long) number,
                  status == UV_ETIMEDOUT ? "this computer was too late for it"
                                         : uv_strerror(status));
}

/* --- until the median is known -------------------------------------------- */

static int compare_rtts(const void *left, const void *right)
{
    const double a = *(const double *) left;
    const double b = *(const double *) right;

    return (a > b) - (a < b);
}

/* RFC 2681: an answer after the waiting time comes too late to count. */
static bool is_in_time(const struct prober *prober, const struct probe *probe)
{
    return probe->received_ns
           && probe->received_ns <= probe->sent_ns + prober->probing.wait_ns;
}

/* The probes whose fate is known, up to the first one of which it is not; gives
 * how long their sending took. */
static size_t settled_rtts(const struct prober *prober, double *rtts_ns,
                           double *ret_length_ns)
{
    const uint64_t start_ns = exchange_start_ns(prober->exchange);
    const uint64_t now_ns = clock_now_ns();
    size_t count = 0;

    *ret_length_ns = 0;
    for (uint64_t number = 0; number < prober->probes.count; number++) {
        const struct probe *probe = probe_at(prober, number);
        const bool is_late = now_ns > probe->sent_ns + prober->probing.wait_ns;

        if (probe->state == PROBE_UNSENT)
            continue;
        if (!probe->received_ns && !is_late)
            break;
        if (probe->sent_ns > start_ns)
            *ret_length_ns = (double) (probe->sent_ns - start_ns);
        if (!probe->after_pause)
            rtts_ns[count++] = is_in_time(prober, probe)
                                   ? (double) prober_rtt_ns(probe)
                                   : (double) INFINITY;
    }
    return count;
}

static bool look(struct prober *prober, double left_ns)
{
    const double least_ns =
        LOOKS_FIRST_CYCLES
        * exchange_order_of(prober->exchange)->expected_cycle_ns;
    double *rtts_ns =
        mem_checked(calloc(prober->probes.count + 1, sizeof(*rtts_ns)));
    double length_ns;
    const size_t count = settled_rtts(prober, rtts_ns, &length_ns);
    bool is_within = false;

    if (count && length_ns >= least_ns) {
        qsort(rtts_ns, count, sizeof(*rtts_ns), compare_rtts);
        is_within =
            looks_at_median(&prober->looks, rtts_ns, count, length_ns, left_ns);
    }
    free(rtts_ns);
    return is_within;
}

/* Sorting all of them is for the few moments at which a look may be due. */
static void look_if_due(struct prober *prober)
{
    const double passed_ns = (double) prober->last_at_ns;

    if (!probing_is_until(&prober->probing) || prober->all_sent
        || !looks_is_due(&prober->looks, passed_ns))
        return;
    prober->is_within =
        look(prober, (double) prober->probing.at_most_ns - passed_ns);
    prober->all_sent = prober->is_within;
}

static void on_next(void *owner)
{
    struct prober *prober = owner;

    if (prober->is_closed)
        return;
    look_if_due(prober);
    if (!prober->all_sent) {
        send_probe(prober);
        probing_advance(&prober->schedule);
        prober->all_sent = prober->schedule.is_over;
    }
    if (!prober->all_sent)
        wake_set(&prober->next,
                 exchange_start_ns(prober->exchange) + prober->schedule.at_ns);
    else
        set_deadline(prober);
}

/* --- receiving ----------------------------------------------------------- */

/* On loopback the two stamps' conversions can differ by more than it takes. */
static uint64_t trip_of(const struct probe *probe)
{
    return probe->received_ns > probe->sent_ns
               ? probe->received_ns - probe->sent_ns
               : 0;
}

static void wait_for_copies(struct prober *prober, const struct probe *probe)
{
    const uint64_t trip_ns = trip_of(probe);
    const uint64_t wait_ns = trip_ns < COPIES_LEAST_NS  ? COPIES_LEAST_NS
                             : trip_ns > COPIES_MOST_NS ? COPIES_MOST_NS
                                                        : trip_ns;

    if (prober->calls->waits_for_copies
        && probe->received_ns + wait_ns > prober->copies_until_ns)
        prober->copies_until_ns = probe->received_ns + wait_ns;
}

enum prober_verdict prober_note_answer(struct prober *prober,
                                       const struct prober_answer *answer)
{
    if (answer->number >= prober->probes.count
        || probe_at(prober, answer->number)->state == PROBE_UNSENT)
        return PROBER_UNASKED;
    struct probe *probe = probe_at(prober, answer->number);

    if (probe->received_ns) {
        probe->duplicates_count++;
        return PROBER_AGAIN;
    }
    probe->received_ns = answer->at_ns;
    probe->received_source = answer->from_kernel ? STAMP_KERNEL : STAMP_AGENT;
    probe->ttl = answer->ttl;
    probe->held_ns = answer->held_ns;
    prober->outstanding_count--;
    wait_for_copies(prober, probe);
    return PROBER_FIRST;
}

/* Stamps come in the order of sending, nearly at once: look back from the last
 * probe. */
void prober_note_sent(struct prober *prober, uint32_t stamp, uint64_t at_ns,
                      bool from_kernel)
{
    for (uint64_t number = prober->probes.count; number-- > 0;) {
        struct probe *probe = probe_at(prober, number);

        if (probe->state == PROBE_UNSENT || probe->stamp != stamp)
            continue;
        /* Before the agent's own stamp it cannot have been. */
        if (from_kernel && at_ns >= probe->sent_ns) {
            probe->sent_ns = at_ns;
            probe->sent_source = STAMP_KERNEL;
        }
        return;
    }
}

static void on_socket(uv_poll_t *poll, int status, int events)
{
    struct prober *prober = poll->data;

    (void) events;
    prober->calls->take(prober->owner);
    if (status < 0) /* libuv gave up over a pending error, read by now */
        (void) uv_poll_start(&prober->poll, UV_READABLE | UV_PRIORITIZED,
                             on_socket);
    if (prober->all_sent)
        set_deadline(prober);
}

/* --- ending -------------------------------------------------------------- */

/* When the youngest of those not answered has waited out. */
static uint64_t deadline_ns(const struct prober *prober)
{
    for (uint64_t number = prober->probes.count; number-- > 0;) {
        const struct probe *probe = probe_at(prober, number);

        if (probe->state != PROBE_UNSENT && !probe->received_ns)
            return probe->sent_ns + prober->probing.wait_ns;
    }
    return 0;
}

static void set_deadline(struct prober *prober)
{
    uint64_t end_ns = prober->outstanding_count ? deadline_ns(prober) : 0;

    if (prober->copies_until_ns > end_ns)
        end_ns = prober->copies_until_ns;
    if (clock_now_ns() >= end_ns)
        close_prober(prober);
    else
        wake_set(&prober->next, end_ns);
}

static void settle_probe(const struct prober *prober, struct probe *probe,
                         struct prober_counts *counts)
{
    if (probe->state == PROBE_UNSENT) {
        counts->unsent++;
        return;
    }
    counts->sent++;
    counts->duplicates += probe->duplicates_count;
    if (probe->received_ns)
        probe->state = is_in_time(prober, probe) ? PROBE_ANSWERED : PROBE_LATE;
    if (probe->state == PROBE_ANSWERED)
        counts->answered++;
    else
        counts->lost++;
    if (probe->state == PROBE_LATE)
        counts->late++;
}

static void settle(struct prober *prober)
{
    struct prober_counts counts = { 0 };

    if (probing_is_until(&prober->probing) && !prober->is_within
        && prober->all_sent)
        prober->is_within = look(prober, 0);
    for (uint64_t number = 0; number < prober->probes.count; number++)
        settle_probe(prober, probe_at(prober, number), &counts);
    prober->calls->settle(prober->owner, &counts);
    if (counts.unsent && !counts.sent)
        exchange_trouble(prober->exchange, "no probe could be sent");
}

static void on_handle_closed(struct prober *prober)
{
    if (--prober->open_handles == 0)
        exchange_finish(prober->exchange);
}

static void on_wake_closed(void *owner)
{
    on_handle_closed(owner);
}

static void on_poll_closed(uv_handle_t *handle)
{
    on_handle_closed(handle->data);
}

static void close_prober(struct prober *prober)
{
    const unsigned open_handles = prober->open_handles;

    if (prober->is_closed)
        return;
    prober->is_closed = true;
    prober->calls->take(prober->owner); /* the last stamp may still be there */
    settle(prober);
    if (open_handles == 0)
        exchange_finish(prober->exchange);
    else
        wake_close(&prober->next, on_wake_closed);
    if (open_handles > 1)
        uv_close((uv_handle_t *) &prober->poll, on_poll_closed);
}

void prober_stop(struct prober *prober)
{
    close_prober(prober);
}

void prober_clear(struct prober *prober)
{
    rows_clear(&prober->probes);
}

/* --- what the kind asks -------------------------------------------------- */

uint64_t prober_sent_count(const struct prober *prober)
{
    return prober->probes.count;
}

const struct probe *prober_probe(const struct prober *prober, uint64_t number)
{
    return probe_at(prober, number);
}

uint64_t prober_rtt_ns(const struct probe *probe)
{
    const uint64_t trip_ns = trip_of(probe);

    /* Held for longer than it was away: the other end's clock was set. */
    return probe->held_ns < trip_ns ? trip_ns - probe->held_ns : trip_ns;
}

uint64_t prober_answered_count(const struct prober *prober)
{
    uint64_t answered_count = 0;

    for (uint64_t number = 0; number < prober->probes.count; number++)
        answered_count += probe_at(prober, number)->received_ns != 0;
    return answered_count;
}

void prober_tell_looks(const struct prober *prober,
                       struct looks_outcome *ret_outcome)
{
    if (probing_is_until(&prober->probing))
        looks_tell(&prober->looks, prober->is_within, ret_outcome);
}
