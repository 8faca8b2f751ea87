/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/payload.h"
#include "agent/exchanges/prober.h"
#include "agent/exchanges/stay.h"
#include "agent/exchanges/table.h"
#include "agent/icmp.h"
#include "agent/memory.h"

#include <bothends/kinds/ping.h>

/*
 * ping: the prober (prober.h) sends echo requests and notes every answer.  The
 * answerer's kernel answers; its part here only frames the time for which its
 * counters are read.
 */

/* --- the prober ---------------------------------------------------------- */

struct ping {
    struct exchange *exchange; /* borrowed */
    struct ping_spec spec;
    struct icmp_echo icmp;
    struct prober prober;
    void *data;
};

static int send_probe(void *owner, uint64_t number, uint64_t *ret_sent_ns,
                      uint32_t *ret_stamp)
{
    struct ping *ping = owner;

    payload_block(exchange_order_of(ping->exchange), 0, number, ping->data,
                  ping->spec.size_bytes);
    return icmp_send(&ping->icmp, (uint16_t) number, ping->data,
                     ping->spec.size_bytes, ret_sent_ns, ret_stamp);
}

/* To the latest probe with these 16 bits: a sequence comes round after 65 536.
 */
static void note_answer(struct ping *ping, const struct icmp_event *event)
{
    const uint64_t sent_count = prober_sent_count(&ping->prober);

    if (sent_count == 0)
        return;
    const uint64_t back =
        (uint16_t) ((uint16_t) (sent_count - 1) - event->sequence);
    if (back >= sent_count)
        return;
    const struct prober_answer answer = {
        .number = sent_count - 1 - back,
        .at_ns = event->at_ns,
        .from_kernel = event->from_kernel,
        .ttl = event->ttl,
    };
    (void) prober_note_answer(&ping->prober, &answer);
}

static void take_events(void *owner)
{
    struct ping *ping = owner;
    struct icmp_event event;

    for (unsigned i = 0; i < PROBER_EVENTS_PER_TURN; i++) {
        if (!icmp_next(&ping->icmp, &event))
            return;
        switch (event.kind) {
        case ICMP_ANSWER:
            note_answer(ping, &event);
            break;
        case ICMP_SENT:
            prober_note_sent(&ping->prober, event.stamp, event.at_ns,
                             event.from_kernel);
            break;
        case ICMP_ERROR:
            exchange_note(ping->exchange, "%s", event.text);
            break;
        }
    }
}

static void write_row(struct rows *rows, const struct probe *probe)
{
    const uint64_t sequence = rows->count;
    struct ping_probe *row = rows_add(rows);

    *row = (struct ping_probe){
        .sequence = sequence,
        .state = probe->state,
        .sent_ns = probe->sent_ns,
        .sent_source = probe->sent_source,
        .received_ns = probe->received_ns,
        .received_source = probe->received_source,
        .rtt_ns = prober_rtt_ns(probe),
        .duplicates_count = probe->duplicates_count,
        .ttl = probe->ttl,
        .after_pause = probe->after_pause,
    };
}

static void settle(void *owner, const struct prober_counts *counts)
{
    const struct ping *ping = owner;
    struct rows *rows = exchange_series(ping->exchange, "probes");
    struct ping_outcome *outcome =
        (struct ping_outcome *) exchange_account_of(ping->exchange)
            ->outcome.bytes;

    *outcome = (struct ping_outcome){
        .sent_count = counts->sent,
        .answered_count = counts->answered,
        .lost_count = counts->lost,
        .late_count = counts->late,
        .duplicates_count = counts->duplicates,
        .unsent_count = counts->unsent,
        .wire_bytes = icmp_wire_bytes(&ping->icmp, ping->spec.size_bytes),
        .socket = (int) ping->icmp.kind,
    };
    prober_tell_looks(&ping->prober, &outcome->looks);
    for (uint64_t i = 0; i < prober_sent_count(&ping->prober); i++)
        write_row(rows, prober_probe(&ping->prober, i));
}

static const struct prober_calls calls = { send_probe, take_events, settle,
                                           .waits_for_copies = false };

/* Opened when armed, so that a missing permission is told before the start. */
static int arm_prober(struct exchange *exchange, void **ret_state,
                      struct fault *fault)
{
    const struct exchange_order *order = exchange_order_of(exchange);
    struct ping *ping = mem_new(struct ping);
    const struct icmp_way way = {
        .to = exchange_peer(exchange),
        .from = exchange_own(exchange),
        .interface = order->interface,
    };

    const int status = icmp_open(&ping->icmp, &way, fault);
    if (status != 0) {
        free(ping);
        return status;
    }
    ping->exchange = exchange;
    memcpy(&ping->spec, &order->spec, sizeof(ping->spec));
    ping->data = mem_checked(malloc(ping->spec.size_bytes + 1));
    const struct probing probing = PROBING_OF(&ping->spec);
    prober_init(&ping->prober, exchange, &probing, &calls, ping);
    *ret_state = ping;
    return 0;
}

static void begin_prober(struct exchange *exchange, void *state)
{
    struct ping *ping = state;

    (void) exchange;
    prober_begin(&ping->prober, ping->icmp.socket);
}

static void stop_prober(struct exchange *exchange, void *state)
{
    struct ping *ping = state;

    (void) exchange;
    prober_stop(&ping->prober);
}

static uint64_t answered_so_far(const void *state)
{
    const struct ping *ping = state;

    return prober_answered_count(&ping->prober);
}

static void dispose_prober(void *state)
{
    struct ping *ping = state;

    icmp_close(&ping->icmp);
    prober_clear(&ping->prober);
    free(ping->data);
    free(ping);
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

static int arm_answerer(struct exchange *exchange, void **ret_state,
                        struct fault *fault)
{
    const int status = exchange_follow_routes(
        exchange,
        "the system itself answers echoes, by its routes: mend the route",
        fault);

    if (status < 0)
        return status;
    struct stay *stay = mem_new(struct stay);

    stay_init(stay, exchange);
    *ret_state = stay;
    return 0;
}

static void begin_answerer(struct exchange *exchange, void *state)
{
    const struct exchange_order *order = exchange_order_of(exchange);

    stay_begin(state, ping_longest_ns(&order->spec, order->seed));
}

static bool unbegin_answerer(struct exchange *exchange, void *state)
{
    (void) exchange;
    stay_unbegin(state);
    return true;
}

static void end_answerer(struct exchange *exchange, void *state)
{
    (void) exchange;
    stay_stop(state);
}

const struct exchange_part ping_answerer = {
    .kind = &ping_kind,
    .part = "answerer",
    .arm = arm_answerer,
    .begin = begin_answerer,
    .unbegin = unbegin_answerer,
    .stop = end_answerer,
    .peer_ended = end_answerer,
    .dispose = free,
};
