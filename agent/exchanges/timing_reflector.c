/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/stay.h"
#include "agent/exchanges/table.h"
#include "agent/exchanges/timing_parts.h"
#include "agent/memory.h"
#include "agent/sockets.h"
#include "agent/stamped.h"

#include <string.h>

/*
 * The session reflector, at the agent's own UDP port.  Nothing of a packet is
 * used before its HMAC is right, and nothing is answered twice, to another
 * address than the session's, or with other than as many octets as came.
 *
 * The session's address is the one that its first signed packet comes from: the
 * other end's, or that of the router that translates it.
 */
struct reflector {
    struct timing timing;
    struct stay stay;
    struct rows *arrivals;        /* borrowed: the account's */
    struct sockaddr_storage peer; /* family 0: not known yet */
    uint8_t *seen;                /* a bit for each number that has come */
    size_t seen_bytes;
    uint64_t reply_count;
    bool sender_is_through;
};

/* When the sender says that it is through, it has waited for copies already; a
 * last one may be close behind: it is noted, and not replied to. */
#define LAST_COPIES_NS (100 * NS_PER_MS)

/* --- what is kept -------------------------------------------------------- */

/* True the first time. */
static bool see(struct reflector *reflector, uint64_t number)
{
    const uint8_t bit = (uint8_t) (1U << number % 8);
    const size_t place = number / 8;

    if (place >= reflector->seen_bytes) {
        const size_t room = 2 * place + 64;

        reflector->seen = mem_checked(realloc(reflector->seen, room));
        memset(reflector->seen + reflector->seen_bytes, 0,
               room - reflector->seen_bytes);
        reflector->seen_bytes = room;
    }
    if (reflector->seen[place] & bit)
        return false;
    reflector->seen[place] |= bit;
    return true;
}

static struct timing_arrival *add_arrival(struct reflector *reflector,
                                          uint64_t number,
                                          const struct stamped_event *event)
{
    struct timing_outcome *outcome = timing_outcome_of(&reflector->timing);
    const bool is_first = see(reflector, number);

    outcome->arrived_count += is_first;
    outcome->duplicates_count += !is_first;
    if (!is_first && outcome->duplicates_count > TIMING_COPIES_MOST) {
        outcome->surplus_count++;
        return NULL;
    }
    struct timing_arrival *arrival = rows_add(reflector->arrivals);

    *arrival = (struct timing_arrival){
        .sequence = number,
        .arrived_ns = event->at_ns,
        .arrived_source = event->from_kernel ? STAMP_KERNEL : STAMP_AGENT,
        .ttl = event->ttl,
        .is_duplicate = !is_first,
    };
    return arrival;
}

/* --- what is answered ---------------------------------------------------- */

static int send_reply(const struct reflector *reflector, const uint8_t *packet,
                      const struct stamped_event *event)
{
    const struct exchange *exchange = reflector->timing.exchange;
    const struct exchange_site *site = exchange_site_of(exchange);
    const struct sockaddr *to = (const struct sockaddr *) &event->from;
    const struct sockaddr *from = exchange_own(exchange);

    /* From the address that the probe went to, or it is no reply to it. */
    if (!from && event->to.ss_family)
        from = (const struct sockaddr *) &event->to;
    return sockets_send(to->sa_family == AF_INET6 ? site->udp6 : site->udp4, to,
                        from, exchange_tied_index(exchange), packet,
                        event->byte_count);
}

/* The packet becomes its reply: what goes beyond the base is copied back. */
static void answer(struct reflector *reflector, const struct stamp_probe *probe,
                   const struct stamped_event *event, const uint8_t *request,
                   struct timing_arrival *arrival)
{
    struct timing_outcome *outcome = timing_outcome_of(&reflector->timing);
    uint8_t packet[TIMING_SIZE_MAX];
    struct stamp_reply reply = {
        .sequence = (uint32_t) reflector->reply_count,
        .session = probe->session,
        .probe = *probe,
        .probe_ttl = event->ttl,
    };
    const int64_t wall_minus_monotonic_ns = timing_wall(&reply.error);
    const uint64_t now_ns = clock_now_ns();

    memcpy(packet, request, event->byte_count);
    if (event->byte_count > TIMING_BASE_BYTES)
        stamp_take_padding(packet + TIMING_BASE_BYTES);
    reply.arrived_ntp =
        stamp_ntp_of((int64_t) event->at_ns + wall_minus_monotonic_ns);
    reply.sent_ntp = stamp_ntp_of((int64_t) now_ns + wall_minus_monotonic_ns);
    stamp_write_reply(&stamp_authenticated, &reply, packet);
    stamp_sign(reflector->timing.session.key, packet);
    const int status = send_reply(reflector, packet, event);

    if (status != 0) {
        outcome->unreplied_count++;
        exchange_note(reflector->timing.exchange, "reply not sent: %s",
                      uv_strerror(status));
        return;
    }
    arrival->replied_ns = now_ns;
    arrival->reply_sequence = reflector->reply_count++;
    outcome->replied_count++;
}

/* --- what comes in ------------------------------------------------------- */

/* Signed: is it a probe, and not one of our own replies sent back to us, which
 * has a time of arrival where a probe has nothing? */
static bool is_probe(const struct reflector *reflector, const uint8_t *packet,
                     size_t byte_count, const struct stamp_probe *probe)
{
    struct stamp_reply as_reply;
    double error_s;
    bool is_synchronised;

    stamp_read_reply(&stamp_authenticated, packet, &as_reply);
    return byte_count == reflector->timing.spec.size_bytes
           && !as_reply.arrived_ntp
           && stamp_error_read(probe->error, &error_s, &is_synchronised);
}

static bool is_from_session(struct reflector *reflector,
                            const struct sockaddr_storage *from)
{
    const struct sockaddr *sender = (const struct sockaddr *) from;

    if (!reflector->peer.ss_family)
        reflector->peer = *from;
    if (!address_is_same_host(sender,
                              (const struct sockaddr *) &reflector->peer))
        return false;
    timing_outcome_of(&reflector->timing)->peer_port = address_port(sender);
    return true;
}

static void take_probe(struct reflector *reflector, const uint8_t *packet,
                       const struct stamped_event *event)
{
    struct timing_outcome *outcome = timing_outcome_of(&reflector->timing);
    struct stamp_probe probe;

    stamp_read_probe(&stamp_authenticated, packet, &probe);
    if (!is_probe(reflector, packet, event->byte_count, &probe)) {
        outcome->malformed_count++;
        return;
    }
    if (!is_from_session(reflector, &event->from)) {
        outcome->foreign_count++;
        return;
    }
    if (probe.sequence >= timing_number_limit(&reflector->timing)) {
        outcome->surplus_count++;
        return;
    }
    struct timing_arrival *arrival =
        add_arrival(reflector, probe.sequence, event);

    if (!arrival || arrival->is_duplicate)
        return;
    if (reflector->sender_is_through)
        outcome->unreplied_count++;
    else
        answer(reflector, &probe, event, packet, arrival);
}

/* Too short to say whose it is, from the other end: it can be no one else's. */
static bool is_stump(const struct exchange *exchange,
                     const struct stamped_event *event)
{
    return event->byte_count < TIMING_BASE_BYTES
           && address_is_same_host((const struct sockaddr *) &event->from,
                                   exchange_peer(exchange));
}

static bool take_datagram(struct exchange *exchange, void *state,
                          const struct stamped_event *event, const void *bytes)
{
    struct reflector *reflector = state;
    enum stamp_verdict verdict =
        stamp_judge(&reflector->timing.session, bytes, event->byte_count);

    if (verdict == STAMP_STRANGE && is_stump(exchange, event))
        verdict = STAMP_MALFORMED;
    if (timing_admits(&reflector->timing, verdict))
        take_probe(reflector, bytes, event);
    /* One that is signed otherwise may be another session's. */
    return verdict == STAMP_OWN || verdict == STAMP_MALFORMED;
}

/* --- the part ------------------------------------------------------------ */

static int arm(struct exchange *exchange, void **ret_state, struct fault *fault)
{
    const bool is_six = exchange_peer(exchange)->sa_family == AF_INET6;
    const struct exchange_site *site = exchange_site_of(exchange);

    if ((is_six ? site->udp6 : site->udp4) < 0)
        return fault_set(fault, UV_EAFNOSUPPORT,
                         "this agent listens to no IPv%d address, and the "
                         "other end has %s",
                         is_six ? 6 : 4,
                         exchange_order_of(exchange)->peer_address);
    struct reflector *reflector = mem_new(struct reflector);
    const int status = timing_init(&reflector->timing, exchange, fault);

    if (status != 0) {
        free(reflector);
        return status;
    }
    stay_init(&reflector->stay, exchange);
    reflector->arrivals = exchange_series(exchange, "arrivals");
    struct timing_outcome *outcome = timing_outcome_of(&reflector->timing);
    outcome->wire_bytes = sockets_ip_bytes(exchange_peer(exchange),
                                           reflector->timing.spec.size_bytes);
    outcome->session = reflector->timing.session.identifier;
    outcome->local_port = site->port;
    *ret_state = reflector;
    return 0;
}

static void begin(struct exchange *exchange, void *state)
{
    struct reflector *reflector = state;

    stay_begin(&reflector->stay,
               timing_longest_ns(&reflector->timing.spec,
                                 exchange_order_of(exchange)->seed));
}

static bool unbegin(struct exchange *exchange, void *state)
{
    struct reflector *reflector = state;

    (void) exchange;
    if (reflector->arrivals->count)
        return false;
    stay_unbegin(&reflector->stay);
    return true;
}

static void stop(struct exchange *exchange, void *state)
{
    struct reflector *reflector = state;

    (void) exchange;
    stay_stop(&reflector->stay);
}

static void peer_ended(struct exchange *exchange, void *state)
{
    struct reflector *reflector = state;

    (void) exchange;
    reflector->sender_is_through = true;
    stay_until(&reflector->stay, clock_now_ns() + LAST_COPIES_NS);
}

static uint64_t arrived_so_far(const void *state)
{
    const struct reflector *reflector = state;

    return timing_outcome_of(&reflector->timing)->arrived_count;
}

static void dispose(void *state)
{
    struct reflector *reflector = state;

    free(reflector->seen);
    free(reflector);
}

const struct exchange_part timing_reflector = {
    .kind = &timing_kind,
    .part = "reflector",
    .arm = arm,
    .begin = begin,
    .unbegin = unbegin,
    .stop = stop,
    .datagram = take_datagram,
    .done_so_far = arrived_so_far,
    .peer_ended = peer_ended,
    .dispose = dispose,
};
