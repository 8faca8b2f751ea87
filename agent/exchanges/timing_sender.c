/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/payload.h"
#include "agent/exchanges/prober.h"
#include "agent/exchanges/table.h"
#include "agent/exchanges/timing_parts.h"
#include "agent/memory.h"
#include "agent/netinfo.h"
#include "agent/sockets.h"
#include "agent/stamped.h"

#include <errno.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

/*
 * The session sender.  Its socket is its own and connected to the other agent's
 * UDP port: so it gets sending stamps and errors of its own, and a router that
 * translates addresses lets the replies back in.
 */
struct sender {
    struct timing timing;
    int socket;
    struct stamped stamped;
    struct prober prober;
    struct rows *probes, *duplicates; /* borrowed: the account's */
    uint64_t reply_count;             /* first replies */
    uint8_t packet[TIMING_SIZE_MAX];
};

/* A probe that was too late to be sent has a row all the same. */
static struct timing_probe *row_of(struct sender *sender, uint64_t number)
{
    while (sender->probes->count <= number)
        (void) rows_add(sender->probes);
    return rows_at(sender->probes, number);
}

/* --- arming -------------------------------------------------------------- */

static int connect_socket(struct exchange *exchange, int fd,
                          struct fault *fault)
{
    const struct exchange_order *order = exchange_order_of(exchange);
    const struct sockaddr *own = exchange_own(exchange);
    const struct sockaddr *peer = exchange_peer(exchange);

    if (netinfo_tie(fd, order->interface) != 0)
        return fault_set(fault, -errno,
                         "cannot tie the probes to interface '%s': %s",
                         order->interface, strerror(errno));
    if (own && bind(fd, own, sockets_length(own)) != 0)
        return fault_set(fault, -errno, "cannot send from %s: %s",
                         order->own_address, strerror(errno));
    if (connect(fd, peer, sockets_length(peer)) != 0)
        return fault_set(fault, -errno, "no way to %s: %s", order->peer_address,
                         strerror(errno));
    return 0;
}

static int open_socket(struct sender *sender, struct fault *fault)
{
    struct exchange *exchange = sender->timing.exchange;
    const int family = exchange_peer(exchange)->sa_family;
    const int fd = socket(family, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

    if (fd < 0)
        return fault_set(fault, -errno, "cannot open a UDP socket: %s",
                         strerror(errno));
    const int status = connect_socket(exchange, fd, fault);
    if (status != 0) {
        (void) close(fd);
        return status;
    }
    sender->socket = fd;
    stamped_own(&sender->stamped, fd, family);
    return 0;
}

/* --- sending ------------------------------------------------------------- */

static void write_padding(struct sender *sender, uint64_t number)
{
    const size_t size_bytes = sender->timing.spec.size_bytes;
    uint8_t *head = sender->packet + TIMING_BASE_BYTES;

    if (size_bytes == TIMING_BASE_BYTES)
        return;
    stamp_write_padding(head, size_bytes - TIMING_BASE_BYTES);
    payload_block(exchange_order_of(sender->timing.exchange), 0, number,
                  head + STAMP_TLV_HEAD_BYTES,
                  size_bytes - TIMING_BASE_BYTES - STAMP_TLV_HEAD_BYTES);
}

static int send_probe(void *owner, uint64_t number, uint64_t *ret_sent_ns,
                      uint32_t *ret_stamp)
{
    struct sender *sender = owner;
    struct iovec piece = { .iov_base = sender->packet,
                           .iov_len = sender->timing.spec.size_bytes };
    const struct msghdr message = { .msg_iov = &piece, .msg_iovlen = 1 };
    struct stamp_probe probe = {
        .sequence = (uint32_t) number,
        .session = sender->timing.session.identifier,
    };

    write_padding(sender, number);
    const int64_t wall_minus_monotonic_ns = timing_wall(&probe.error);

    probe.sent_ntp =
        stamp_ntp_of((int64_t) clock_now_ns() + wall_minus_monotonic_ns);
    stamp_write_probe(&stamp_authenticated, &probe, sender->packet);
    stamp_sign(sender->timing.session.key, sender->packet);
    row_of(sender, number)->sent_unix_ns =
        (uint64_t) stamp_unix_ns_of(probe.sent_ntp);
    return stamped_send(&sender->stamped, &message, ret_sent_ns, ret_stamp);
}

/* --- receiving ----------------------------------------------------------- */

/* Whoever heard the order can sign, too: what no account could tell of is no
 * reply. */
static bool can_be_told(const struct sender *sender,
                        const struct stamp_reply *reply)
{
    return reply->arrived_ntp && stamp_unix_ns_of(reply->arrived_ntp) >= 0
           && stamp_unix_ns_of(reply->sent_ntp) >= 0
           && reply->sequence < timing_number_limit(&sender->timing);
}

/* Signed, and a reply to a probe of ours: what was sent comes back in it. */
static bool is_reply(struct sender *sender, const struct stamp_reply *reply,
                     size_t byte_count)
{
    const uint64_t number = reply->probe.sequence;
    double error_s;
    bool is_synchronised;

    return byte_count == sender->timing.spec.size_bytes
           && can_be_told(sender, reply)
           && number < prober_sent_count(&sender->prober)
           && reply->probe.sent_ntp
                  == stamp_ntp_of(
                      (int64_t) row_of(sender, number)->sent_unix_ns)
           && stamp_error_read(reply->error, &error_s, &is_synchronised);
}

static void add_duplicate(struct sender *sender,
                          const struct stamp_reply *reply,
                          const struct stamped_event *event)
{
    if (sender->duplicates->count >= TIMING_COPIES_MOST) {
        timing_outcome_of(&sender->timing)->surplus_count++;
        return;
    }
    struct timing_duplicate *row = rows_add(sender->duplicates);

    *row = (struct timing_duplicate){
        .sequence = reply->probe.sequence,
        .reply_sequence = reply->sequence,
        .received_ns = event->at_ns,
        .received_source = event->from_kernel ? STAMP_KERNEL : STAMP_AGENT,
    };
}

static void fill_row(struct sender *sender, const struct stamp_reply *reply)
{
    struct timing_probe *row = row_of(sender, reply->probe.sequence);

    row->arrived_unix_ns = (uint64_t) stamp_unix_ns_of(reply->arrived_ntp);
    row->replied_unix_ns = (uint64_t) stamp_unix_ns_of(reply->sent_ntp);
    row->reply_sequence = reply->sequence;
    row->reply_number = ++sender->reply_count;
    row->probe_ttl = reply->probe_ttl;
}

static void note_reply(struct sender *sender, const struct stamp_reply *reply,
                       const struct stamped_event *event)
{
    const int64_t held_ns = stamp_unix_ns_of(reply->sent_ntp)
                            - stamp_unix_ns_of(reply->arrived_ntp);
    const struct prober_answer answer = {
        .number = reply->probe.sequence,
        .at_ns = event->at_ns,
        .from_kernel = event->from_kernel,
        .ttl = event->ttl,
        .held_ns = held_ns > 0 ? (uint64_t) held_ns : 0,
    };

    switch (prober_note_answer(&sender->prober, &answer)) {
    case PROBER_FIRST:
        fill_row(sender, reply);
        break;
    case PROBER_AGAIN:
        add_duplicate(sender, reply, event);
        break;
    case PROBER_UNASKED:
        timing_outcome_of(&sender->timing)->malformed_count++;
        break;
    }
}

static void take_packet(struct sender *sender, const uint8_t *packet,
                        const struct stamped_event *event)
{
    const enum stamp_verdict verdict =
        stamp_judge(&sender->timing.session, packet, event->byte_count);
    struct stamp_reply reply;

    /* From the other agent's port, whatever it is. */
    if (!timing_admits(&sender->timing,
                       verdict == STAMP_STRANGE ? STAMP_MALFORMED : verdict))
        return;
    stamp_read_reply(&stamp_authenticated, packet, &reply);
    if (is_reply(sender, &reply, event->byte_count))
        note_reply(sender, &reply, event);
    else
        timing_outcome_of(&sender->timing)->malformed_count++;
}

static void take_events(void *owner)
{
    struct sender *sender = owner;
    struct stamped_event event;
    uint8_t packet[TIMING_SIZE_MAX + 1];

    for (unsigned i = 0; i < PROBER_EVENTS_PER_TURN; i++) {
        if (stamped_next(&sender->stamped, packet, sizeof(packet), &event) <= 0)
            return;
        switch (event.kind) {
        case STAMPED_ARRIVED:
            take_packet(sender, packet, &event);
            break;
        case STAMPED_SENT:
            prober_note_sent(&sender->prober, event.stamp, event.at_ns,
                             event.from_kernel);
            break;
        case STAMPED_ERROR:
            exchange_note(sender->timing.exchange, "%s", event.text);
            break;
        }
    }
}

/* --- ending -------------------------------------------------------------- */

static void finish_row(struct sender *sender, uint64_t number)
{
    const struct probe *probe = prober_probe(&sender->prober, number);
    struct timing_probe *row = row_of(sender, number);

    row->sequence = number;
    row->state = probe->state;
    row->planned_ns = probe->planned_ns;
    row->sent_ns = probe->sent_ns;
    row->sent_source = probe->sent_source;
    row->received_ns = probe->received_ns;
    row->received_source = probe->received_source;
    row->reply_ttl = probe->ttl;
    row->duplicates_count = probe->duplicates_count;
    row->after_pause = probe->after_pause;
}

static void settle(void *owner, const struct prober_counts *counts)
{
    struct sender *sender = owner;
    const struct exchange *exchange = sender->timing.exchange;
    struct timing_outcome *outcome = timing_outcome_of(&sender->timing);

    outcome->sent_count = counts->sent;
    outcome->answered_count = counts->answered;
    outcome->lost_count = counts->lost;
    outcome->late_count = counts->late;
    outcome->unsent_count = counts->unsent;
    outcome->duplicates_count = counts->duplicates;
    outcome->wire_bytes = sockets_ip_bytes(exchange_peer(exchange),
                                           sender->timing.spec.size_bytes);
    outcome->session = sender->timing.session.identifier;
    outcome->local_port = sockets_port(sender->socket);
    outcome->peer_port = exchange_order_of(exchange)->peer_port;
    prober_tell_looks(&sender->prober, &outcome->looks);
    for (uint64_t i = 0; i < prober_sent_count(&sender->prober); i++)
        finish_row(sender, i);
}

static const struct prober_calls calls = { send_probe, take_events, settle,
                                           .waits_for_copies = true };

/* Opened when armed, so that a wrong address is told before the start. */
static int arm(struct exchange *exchange, void **ret_state, struct fault *fault)
{
    struct sender *sender = mem_new(struct sender);
    int status = timing_init(&sender->timing, exchange, fault);

    if (status == 0 && !exchange_order_of(exchange)->peer_port)
        status = fault_set(fault, UV_EINVAL,
                           "peer_port: found none, expected the other agent's");
    if (status == 0)
        status = open_socket(sender, fault);
    if (status != 0) {
        free(sender);
        return status;
    }
    sender->probes = exchange_series(exchange, "probes");
    sender->duplicates = exchange_series(exchange, "duplicates");
    const struct probing probing = PROBING_OF(&sender->timing.spec);

    prober_init(&sender->prober, exchange, &probing, &calls, sender);
    *ret_state = sender;
    return 0;
}

static void begin(struct exchange *exchange, void *state)
{
    struct sender *sender = state;

    (void) exchange;
    prober_begin(&sender->prober, sender->socket);
}

static void stop(struct exchange *exchange, void *state)
{
    struct sender *sender = state;

    (void) exchange;
    prober_stop(&sender->prober);
}

static uint64_t answered_so_far(const void *state)
{
    const struct sender *sender = state;

    return prober_answered_count(&sender->prober);
}

static void dispose(void *state)
{
    struct sender *sender = state;

    (void) close(sender->socket);
    prober_clear(&sender->prober);
    free(sender);
}

const struct exchange_part timing_sender = {
    .kind = &timing_kind,
    .part = "sender",
    .arm = arm,
    .begin = begin,
    .stop = stop,
    .done_so_far = answered_so_far,
    .dispose = dispose,
};
