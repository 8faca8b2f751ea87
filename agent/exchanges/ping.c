/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/exchange.h"
#include "agent/exchanges/payload.h"
#include "agent/exchanges/table.h"
#include "agent/exchanges/wake.h"
#include "agent/icmp.h"
#include "agent/memory.h"

#include <bothends/kinds/ping.h>

/*
 * ping: the prober sends echo requests by a schedule that follows from the seed
 * (bothends/probing.h), and notes every answer until all have come or waited
 * out.  The answerer's kernel answers; its part here only frames the time for
 * which its counters are read.
 */

/* After this long without traffic, addresses may have to be resolved anew and
 * a radio may have gone to slower polling. */
#define PAUSE_NS (5 * NS_PER_S)
/* A probe that is later than this is not sent: the computer slept, and sending
 * all that was missed in one go would measure our own queue. */
#define LATE_MOST_NS (NS_PER_S / 2)
/* What the answerer waits beyond the prober's planned end. */
#define ANSWERER_MARGIN_NS NS_PER_S

/* --- the prober ---------------------------------------------------------- */

struct prober {
    struct exchange *exchange; /* borrowed */
    struct ping_spec spec;
    struct probing probing;
    struct icmp_echo icmp;
    struct wake next; /* the next sending, or the end of the waiting */
    uv_poll_t poll;
    unsigned open_handles;
    bool is_closed;

    struct probing_schedule schedule;
    bool all_sent;
    uint64_t last_at_ns;        /* of the probe before, after the start */
    uint64_t outstanding_count; /* sent and not answered */
    struct rows *probes;        /* borrowed: the account's */
    struct looks looks;         /* until */
    bool is_within;             /* the latest look was content */
    uint64_t *stamps;           /* by probe: the kernel's sending number */
    size_t stamp_room;
    void *data;
};

/* The flow, top to bottom. */
static void on_next(void *owner);
static void on_socket(uv_poll_t *poll, int status, int events);
static void set_deadline(struct prober *prober);
static void settle(struct prober *prober);
static void close_prober(struct prober *prober);

static struct ping_outcome *outcome_of(struct prober *prober)
{
    return (struct ping_outcome *) exchange_account_of(prober->exchange)
        ->outcome.bytes;
}

static struct ping_probe *probe_at(const struct prober *prober, uint64_t number)
{
    return rows_at(prober->probes, number);
}

/* Opened when armed, so that a missing permission is told before the start. */
static int arm_prober(struct exchange *exchange, void **ret_state,
                      struct fault *fault)
{
    const struct exchange_order *order = exchange_order_of(exchange);
    struct prober *prober = mem_new(struct prober);
    const struct icmp_way way = {
        .to = exchange_peer(exchange),
        .from = exchange_own(exchange),
        .interface = order->interface,
    };

    prober->exchange = exchange;
    memcpy(&prober->spec, &order->spec, sizeof(prober->spec));
    prober->looks.within_ratio = prober->spec.within_ratio;
    prober->probing = PROBING_OF(&prober->spec);
    prober->schedule = probing_schedule(&prober->probing, order->seed);
    prober->probes = exchange_series(exchange, "probes");
    const int status = icmp_open(&prober->icmp, &way, fault);
    if (status != 0) {
        free(prober);
        return status;
    }
    prober->data = mem_checked(malloc(prober->spec.size_bytes + 1));
    *ret_state = prober;
    return 0;
}

static void begin_prober(struct exchange *exchange, void *state)
{
    struct prober *prober = state;
    uv_loop_t *loop = exchange_site_of(exchange)->loop;
    int status = wake_init(&prober->next, loop, on_next, prober);

    if (status == 0) {
        prober->open_handles++;
        status = uv_poll_init(loop, &prober->poll, prober->icmp.socket);
    }
    if (status != 0) {
        exchange_trouble(exchange, "cannot probe: %s", uv_strerror(status));
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

/* Remember which probe the kernel's stamp number belongs to. */
static void note_stamp(struct prober *prober, uint64_t number, uint32_t stamp)
{
    if (number >= prober->stamp_room) {
        const size_t room = number < 64 ? 128 : 2 * (size_t) number;

        prober->stamps = mem_checked(
            realloc(prober->stamps, room * sizeof(*prober->stamps)));
        prober->stamp_room = room;
    }
    prober->stamps[number] = stamp;
}

static void send_probe(struct prober *prober)
{
    const struct exchange_order *order = exchange_order_of(prober->exchange);
    const uint64_t number = prober->probes->count;
    const uint64_t due_ns =
        exchange_start_ns(prober->exchange) + prober->schedule.at_ns;
    struct ping_probe *probe = rows_add(prober->probes);
    uint32_t stamp = UINT32_MAX;
    int status = UV_ETIMEDOUT;

    probe->sequence = number;
    probe->state = PROBE_LOST; /* until its answer comes */
    probe->after_pause =
        number == 0 || prober->schedule.at_ns - prober->last_at_ns > PAUSE_NS;
    probe->sent_source = STAMP_AGENT;
    probe->sent_ns = due_ns;
    prober->last_at_ns = prober->schedule.at_ns;
    payload_block(order, 0, number, prober->data, prober->spec.size_bytes);
    if (clock_now_ns() <= due_ns + LATE_MOST_NS)
        status = icmp_send(&prober->icmp, (uint16_t) number, prober->data,
                           prober->spec.size_bytes, &probe->sent_ns, &stamp);
    note_stamp(prober, number, stamp);
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

/* The probes whose fate is known, up to the first one of which it is not; gives
 * how long their sending took. */
static size_t settled_rtts(const struct prober *prober, double *rtts_ns,
                           double *ret_length_ns)
{
    const uint64_t start_ns = exchange_start_ns(prober->exchange);
    const uint64_t now_ns = clock_now_ns();
    size_t count = 0;

    *ret_length_ns = 0;
    for (uint64_t number = 0; number < prober->probes->count; number++) {
        const struct ping_probe *probe = probe_at(prober, number);
        const bool is_late = now_ns > probe->sent_ns + prober->spec.wait_ns;

        if (probe->state == PROBE_UNSENT)
            continue;
        if (!probe->received_ns && !is_late)
            break;
        if (probe->sent_ns > start_ns)
            *ret_length_ns = (double) (probe->sent_ns - start_ns);
        if (!probe->after_pause)
            rtts_ns[count++] =
                probe->received_ns
                        && probe->received_ns
                               <= probe->sent_ns + prober->spec.wait_ns
                    ? (double) (probe->received_ns - probe->sent_ns)
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
        mem_checked(calloc(prober->probes->count + 1, sizeof(*rtts_ns)));
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
        look(prober, (double) prober->spec.at_most_ns - passed_ns);
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

/* The latest probe with these 16 bits: a sequence comes round after 65 536. */
static struct ping_probe *find_probe(const struct prober *prober,
                                     uint16_t sequence)
{
    const uint64_t sent_count = prober->probes->count;

    if (sent_count == 0)
        return NULL;
    const uint64_t back = (uint16_t) ((uint16_t) (sent_count - 1) - sequence);
    if (back >= sent_count)
        return NULL;
    return probe_at(prober, sent_count - 1 - back);
}

static void note_answer(struct prober *prober, const struct icmp_event *event)
{
    struct ping_probe *probe = find_probe(prober, event->sequence);

    if (!probe || probe->state == PROBE_UNSENT)
        return;
    if (probe->received_ns) {
        probe->duplicates_count++;
        return;
    }
    probe->received_ns = event->at_ns;
    probe->received_source = event->from_kernel ? STAMP_KERNEL : STAMP_AGENT;
    probe->ttl = event->ttl;
    prober->outstanding_count--;
}

/* Stamps come in the order of sending, nearly at once: look back from the last
 * probe. */
static void note_sent(struct prober *prober, const struct icmp_event *event)
{
    for (uint64_t number = prober->probes->count; number-- > 0;) {
        struct ping_probe *probe = probe_at(prober, number);

        if (probe->state == PROBE_UNSENT
            || prober->stamps[number] != event->stamp)
            continue;
        /* Before the agent's own stamp it cannot have been. */
        if (event->from_kernel && event->at_ns >= probe->sent_ns) {
            probe->sent_ns = event->at_ns;
            probe->sent_source = STAMP_KERNEL;
        }
        return;
    }
}

static void take_events(struct prober *prober)
{
    struct icmp_event event;

    while (icmp_next(&prober->icmp, &event)) {
        switch (event.kind) {
        case ICMP_ANSWER:
            note_answer(prober, &event);
            break;
        case ICMP_SENT:
            note_sent(prober, &event);
            break;
        case ICMP_ERROR:
            exchange_note(prober->exchange, "%s", event.text);
            break;
        }
    }
}

static void on_socket(uv_poll_t *poll, int status, int events)
{
    struct prober *prober = poll->data;

    (void) events;
    take_events(prober);
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
    for (uint64_t number = prober->probes->count; number-- > 0;) {
        const struct ping_probe *probe = probe_at(prober, number);

        if (probe->state != PROBE_UNSENT && !probe->received_ns)
            return probe->sent_ns + prober->spec.wait_ns;
    }
    return 0;
}

static void set_deadline(struct prober *prober)
{
    const uint64_t end_ns = prober->outstanding_count ? deadline_ns(prober) : 0;

    if (clock_now_ns() >= end_ns)
        close_prober(prober);
    else
        wake_set(&prober->next, end_ns);
}

/* RFC 2681: an answer after the waiting time comes too late to count. */
static void settle_probe(struct prober *prober, struct ping_probe *probe)
{
    struct ping_outcome *outcome = outcome_of(prober);

    if (probe->state == PROBE_UNSENT) {
        outcome->unsent_count++;
        return;
    }
    outcome->sent_count++;
    outcome->duplicates_count += probe->duplicates_count;
    if (probe->received_ns) {
        probe->rtt_ns = probe->received_ns > probe->sent_ns
                            ? probe->received_ns - probe->sent_ns
                            : 0;
        probe->state =
            probe->rtt_ns <= prober->spec.wait_ns ? PROBE_ANSWERED : PROBE_LATE;
    }
    if (probe->state == PROBE_ANSWERED)
        outcome->answered_count++;
    else
        outcome->lost_count++;
    if (probe->state == PROBE_LATE)
        outcome->late_count++;
}

static void settle(struct prober *prober)
{
    struct ping_outcome *outcome = outcome_of(prober);

    if (probing_is_until(&prober->probing)) {
        if (!prober->is_within && prober->all_sent)
            prober->is_within = look(prober, 0);
        looks_tell(&prober->looks, prober->is_within, &outcome->looks);
    }
    outcome->socket = (int) prober->icmp.kind;
    outcome->wire_bytes =
        icmp_wire_bytes(&prober->icmp, prober->spec.size_bytes);
    for (uint64_t number = 0; number < prober->probes->count; number++)
        settle_probe(prober, probe_at(prober, number));
    if (outcome->unsent_count && !outcome->sent_count)
        exchange_trouble(prober->exchange, "no probe could be sent");
}

static void on_prober_closed(struct prober *prober)
{
    if (--prober->open_handles == 0)
        exchange_finish(prober->exchange);
}

static void on_wake_closed(void *owner)
{
    on_prober_closed(owner);
}

static void on_poll_closed(uv_handle_t *handle)
{
    on_prober_closed(handle->data);
}

static void close_prober(struct prober *prober)
{
    if (prober->is_closed)
        return;
    prober->is_closed = true;
    take_events(prober); /* the last stamp may still be in the queue */
    settle(prober);
    if (prober->open_handles == 0)
        exchange_finish(prober->exchange);
    else
        wake_close(&prober->next, on_wake_closed);
    if (prober->open_handles > 1)
        uv_close((uv_handle_t *) &prober->poll, on_poll_closed);
    icmp_close(&prober->icmp);
}

static void stop_prober(struct exchange *exchange, void *state)
{
    (void) exchange;
    close_prober(state);
}

static uint64_t answered_so_far(const void *state)
{
    const struct prober *prober = state;
    uint64_t answered_count = 0;

    for (size_t i = 0; i < prober->probes->count; i++) {
        const struct ping_probe *probe = rows_at(prober->probes, i);

        answered_count += probe->received_ns != 0;
    }
    return answered_count;
}

static void dispose_prober(void *state)
{
    struct prober *prober = state;

    icmp_close(&prober->icmp);
    free(prober->stamps);
    free(prober->data);
    free(prober);
}

const struct exchange_part ping_prober = {
    .kind = &ping_kind,
    .part = "prober",
    .arm = arm_prober,
    .begin = begin_prober,
    .stop = stop_prober,
    .done_so_far = answered_so_far,
    .dispose = dispose_prober,
};

/* --- the answerer -------------------------------------------------------- */

struct answerer {
    struct exchange *exchange; /* borrowed */
    struct wake end;
    bool is_open, is_closed;
};

static void on_answerer_closed(void *owner)
{
    const struct answerer *answerer = owner;

    exchange_finish(answerer->exchange);
}

static void close_answerer(void *owner)
{
    struct answerer *answerer = owner;

    if (answerer->is_closed)
        return;
    answerer->is_closed = true;
    if (answerer->is_open)
        wake_close(&answerer->end, on_answerer_closed);
    else
        exchange_finish(answerer->exchange);
}

static int arm_answerer(struct exchange *exchange, void **ret_state,
                        struct fault *fault)
{
    const int status = exchange_follow_routes(
        exchange,
        "the system itself answers echoes, by its routes: mend the route",
        fault);

    if (status < 0)
        return status;
    struct answerer *answerer = mem_new(struct answerer);

    answerer->exchange = exchange;
    *ret_state = answerer;
    return 0;
}

static void begin_answerer(struct exchange *exchange, void *state)
{
    struct answerer *answerer = state;
    const struct exchange_order *order = exchange_order_of(exchange);
    const int status =
        wake_init(&answerer->end, exchange_site_of(exchange)->loop,
                  close_answerer, state);

    if (status != 0) {
        exchange_trouble(exchange, "cannot watch: %s", uv_strerror(status));
        close_answerer(answerer);
        return;
    }
    answerer->is_open = true;
    wake_set(&answerer->end, exchange_start_ns(exchange)
                                 + ping_longest_ns(&order->spec, order->seed)
                                 + ANSWERER_MARGIN_NS);
}

static void end_answerer(struct exchange *exchange, void *state)
{
    (void) exchange;
    close_answerer(state);
}

const struct exchange_part ping_answerer = {
    .kind = &ping_kind,
    .part = "answerer",
    .arm = arm_answerer,
    .begin = begin_answerer,
    .stop = end_answerer,
    .peer_ended = end_answerer,
    .dispose = free,
};
