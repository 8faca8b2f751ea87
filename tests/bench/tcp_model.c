/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/bench/tcp_model.h"

#include <bothends/draw.h>
#include <bothends/kinds.h>
#include <stdlib.h>

#define HEADER_BYTES  52
#define LINK_BYTES    14
#define SEGMENTS_MOST 60000
#define SAMPLE_NS     (250 * NS_PER_MS)
#define DELAYED_NS    (40 * NS_PER_MS)
#define TIMEOUT_LEAST (200 * NS_PER_MS)
#define TAIL_NS       (20 * NS_PER_S)
#define NEVER         UINT64_MAX

/* The ends' clocks start anywhere, and not alike. */
static const uint64_t sender_epoch_ns = UINT64_C(900) * NS_PER_S;
static const uint64_t receiver_epoch_ns = UINT64_C(5000) * NS_PER_S;

enum packet_sort {
    PACKET_DATA,
    PACKET_ACK,
    PACKET_OTHER,
    PACKET_ECHO,
    PACKET_REPLY
};

struct packet_made {
    enum packet_sort sort;
    size_t segment, from, to; /* ack: next in order */
    size_t needless;          /* ack: came twice so far */
    uint64_t made_ns;
    double bytes;
};

struct settled {
    struct packet_made *packet;
    uint64_t at_ns;
    bool is_delivered;
};

struct segment {
    unsigned sent_count;
    bool is_lost, is_acked;
    uint64_t sent_ns, received_ns;
};

struct counters {
    double sent_bytes, sent_packets, received_bytes, received_packets;
};

struct tcp {
    const struct tcp_model *model;
    struct air *air;
    struct draw draw;
    struct rows settled;
    uint64_t now_ns;
    struct counters at_sender, at_receiver;

    /* sender */
    struct segment *segments;
    size_t next, acked; /* acked: all before it are */
    size_t fed, all;    /* segments given to TCP; of a size */
    double window, threshold;
    size_t recover_to, pipe;
    double srtt_ns, variation_ns, least_ns;
    uint64_t timeout_ns, deadline_ns, heard_ns;
    size_t needless_told;
    unsigned backoff;
    double sent_bytes, repeated_bytes;
    double busy_ns, receiver_ns, buffer_ns;
    bool is_busy, is_receiver_limited, is_buffer_limited;

    /* receiver */
    size_t in_order, unacknowledged, needless;
    uint64_t acknowledge_ns;
    struct rows *arrivals, *samples;
    uint64_t next_sample_ns, next_other_ns[MODEL_OTHERS];
};

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct tcp *tcp = owner;
    struct settled *settled = rows_add(&tcp->settled);

    *settled = (struct settled){ packet->handle, packet->over_ns,
                                 fate == FATE_DELIVERED };
}

static double unit(struct tcp *tcp)
{
    return draw_unit(&tcp->draw);
}

static bool is_out(const struct tcp_model *model, uint64_t at_ns)
{
    for (size_t i = 0; i < MODEL_OUTAGES; i++) {
        if (at_ns >= model->outages[i].from_ns
            && at_ns < model->outages[i].to_ns)
            return true;
    }
    return false;
}

static void count(struct tcp *tcp, size_t end, double bytes, bool is_sent)
{
    struct counters *at = end == tcp->model->sender     ? &tcp->at_sender
                          : end == tcp->model->receiver ? &tcp->at_receiver
                                                        : NULL;

    if (!at)
        return;
    *(is_sent ? &at->sent_bytes : &at->received_bytes) += bytes + LINK_BYTES;
    *(is_sent ? &at->sent_packets : &at->received_packets) += 1;
}

static void put(struct tcp *tcp, enum packet_sort sort, size_t segment,
                size_t from, size_t to, double bytes)
{
    struct packet_made *packet = calloc(1, sizeof(*packet));

    if (!packet)
        abort();
    *packet = (struct packet_made){ .sort = sort,
                                    .segment = segment,
                                    .from = from,
                                    .to = to,
                                    .needless = tcp->needless,
                                    .made_ns = tcp->now_ns,
                                    .bytes = bytes };
    count(tcp, from, bytes, true);
    air_enqueue(tcp->air, tcp->now_ns, from, to, (uint64_t) bytes, packet);
}

/* --- the sender ------------------------------------------------------------
 */

static void send_segment(struct tcp *tcp, size_t number)
{
    struct segment *segment = &tcp->segments[number];

    if (segment->sent_count++)
        tcp->repeated_bytes += tcp->model->segment_bytes;
    segment->is_lost = false;
    segment->sent_ns = tcp->now_ns;
    tcp->sent_bytes += tcp->model->segment_bytes;
    tcp->pipe++;
    if (tcp->deadline_ns == NEVER)
        tcp->deadline_ns = tcp->now_ns + (tcp->timeout_ns << tcp->backoff);
    put(tcp, PACKET_DATA, number, tcp->model->sender, tcp->model->receiver,
        tcp->model->segment_bytes + HEADER_BYTES);
}

static bool resend_one(struct tcp *tcp)
{
    for (size_t i = tcp->acked; i < tcp->next; i++) {
        if (tcp->segments[i].is_lost && !tcp->segments[i].is_acked) {
            send_segment(tcp, i);
            return true;
        }
    }
    return false;
}

static void push(struct tcp *tcp)
{
    const struct tcp_model *model = tcp->model;

    tcp->is_receiver_limited = tcp->is_buffer_limited = false;
    while ((double) tcp->pipe + 1 <= tcp->window) {
        const double flight =
            (double) (tcp->next - tcp->acked + 1) * model->segment_bytes;

        if (resend_one(tcp))
            continue;
        if (tcp->next >= tcp->fed || tcp->next >= SEGMENTS_MOST)
            break;
        if (model->receiver_window_bytes > 0
            && flight > model->receiver_window_bytes) {
            tcp->is_receiver_limited = true;
            break;
        }
        if (model->send_buffer_bytes > 0 && flight > model->send_buffer_bytes) {
            tcp->is_buffer_limited = true;
            break;
        }
        send_segment(tcp, tcp->next++);
    }
    tcp->is_busy = tcp->acked < tcp->next || tcp->next < tcp->fed;
}

static void feed(struct tcp *tcp)
{
    const struct tcp_model *model = tcp->model;
    const uint64_t period_ns = model->feed_on_ns + model->feed_off_ns;
    const bool is_over = model->for_ns && tcp->now_ns >= model->for_ns;

    if (is_over || tcp->now_ns < model->answer_wait_ns)
        return;
    if (model->feed_off_ns && tcp->now_ns % period_ns >= model->feed_on_ns)
        return;
    size_t fed = tcp->next + 3;

    if (model->feed_bps > 0)
        fed = (size_t) (model->feed_bps / BITS_PER_BYTE * (double) tcp->now_ns
                        * 1e-9 / model->segment_bytes);
    if (tcp->all && fed > tcp->all)
        fed = tcp->all;
    if (fed > tcp->fed)
        tcp->fed = fed;
}

static void take_rtt(struct tcp *tcp, double rtt_ns)
{
    if (tcp->srtt_ns <= 0) {
        tcp->srtt_ns = rtt_ns;
        tcp->variation_ns = rtt_ns / 2;
    } else {
        tcp->variation_ns +=
            (fabs(rtt_ns - tcp->srtt_ns) - tcp->variation_ns) / 4;
        tcp->srtt_ns += (rtt_ns - tcp->srtt_ns) / 8;
    }
    if (tcp->least_ns <= 0 || rtt_ns < tcp->least_ns)
        tcp->least_ns = rtt_ns;
    /* Slow start ends when round trips grow (as RFC 9406 has it). */
    if (tcp->window < tcp->threshold
        && rtt_ns > 2 * tcp->least_ns + 200.0 * NS_PER_MS)
        tcp->threshold = tcp->window;
    const double timeout_ns =
        tcp->srtt_ns + fmax(4 * tcp->variation_ns, TIMEOUT_LEAST);

    tcp->timeout_ns = (uint64_t) timeout_ns;
}

static void reduce_window(struct tcp *tcp, double to)
{
    tcp->threshold = fmax(2, 0.7 * tcp->window);
    tcp->window = to > 0 ? to : tcp->threshold;
    tcp->recover_to = tcp->next;
}

/* Segments sent a good while before one that has arrived are lost. */
static void find_losses(struct tcp *tcp, uint64_t newest_ns)
{
    bool is_new = false;

    for (size_t i = tcp->acked; i < tcp->next; i++) {
        struct segment *segment = &tcp->segments[i];

        if (segment->is_acked || segment->is_lost || !segment->sent_count
            || (double) segment->sent_ns + tcp->least_ns / 4
                   >= (double) newest_ns)
            continue;
        segment->is_lost = true;
        tcp->pipe -= tcp->pipe > 0;
        is_new = is_new || i >= tcp->recover_to;
    }
    if (is_new)
        reduce_window(tcp, 0);
}

static void take_ack(struct tcp *tcp, const struct packet_made *ack)
{
    uint64_t newest_ns = 0;
    bool has_news = false;

    tcp->heard_ns = tcp->now_ns;
    if (ack->needless > tcp->needless_told)
        tcp->needless_told = ack->needless;
    for (size_t i = tcp->acked; i < tcp->next; i++) {
        struct segment *segment = &tcp->segments[i];

        if (segment->is_acked || !segment->received_ns
            || segment->received_ns > ack->made_ns)
            continue;
        segment->is_acked = has_news = true;
        tcp->pipe -= !segment->is_lost && tcp->pipe > 0;
        if (segment->sent_count == 1) {
            take_rtt(tcp, (double) (tcp->now_ns - segment->sent_ns));
            if (segment->sent_ns > newest_ns)
                newest_ns = segment->sent_ns;
        }
        if (tcp->window < tcp->threshold)
            tcp->window++;
        else
            tcp->window += 1 / tcp->window;
    }
    while (tcp->acked < tcp->next && tcp->segments[tcp->acked].is_acked)
        tcp->acked++;
    if (!has_news)
        return;
    find_losses(tcp, newest_ns);
    tcp->backoff = 0;
    tcp->deadline_ns =
        tcp->acked < tcp->next ? tcp->now_ns + tcp->timeout_ns : NEVER;
}

static void time_out(struct tcp *tcp)
{
    for (size_t i = tcp->acked; i < tcp->next; i++)
        tcp->segments[i].is_lost = !tcp->segments[i].is_acked;
    tcp->pipe = 0;
    reduce_window(tcp, 1);
    tcp->backoff += tcp->backoff < 6;
    tcp->deadline_ns = tcp->now_ns + (tcp->timeout_ns << tcp->backoff);
}

/* --- the receiver ----------------------------------------------------------
 */

static void acknowledge(struct tcp *tcp)
{
    tcp->unacknowledged = 0;
    tcp->acknowledge_ns = NEVER;
    put(tcp, PACKET_ACK, tcp->in_order, tcp->model->receiver,
        tcp->model->sender, HEADER_BYTES);
}

static void take_data(struct tcp *tcp, const struct packet_made *packet)
{
    struct segment *segment = &tcp->segments[packet->segment];
    const size_t before = tcp->in_order;

    tcp->needless += segment->received_ns != 0;
    if (!segment->received_ns)
        segment->received_ns = tcp->now_ns;
    while (tcp->in_order < tcp->next
           && tcp->segments[tcp->in_order].received_ns)
        tcp->in_order++;
    if (tcp->in_order > before) {
        struct download_arrival *arrival = rows_add(tcp->arrivals);

        arrival->at_ns = receiver_epoch_ns + tcp->now_ns;
        arrival->bytes = (uint64_t) ((double) (tcp->in_order - before)
                                     * tcp->model->segment_bytes);
    }
    if (++tcp->unacknowledged >= 2 || tcp->in_order != before + 1)
        acknowledge(tcp);
    else
        tcp->acknowledge_ns = tcp->now_ns + DELAYED_NS;
}

/* --- the loop --------------------------------------------------------------
 */

static void deliver(struct tcp *tcp, const struct settled *settled)
{
    const struct packet_made *packet = settled->packet;

    if (!settled->is_delivered || is_out(tcp->model, settled->at_ns)
        || unit(tcp) < tcp->model->loss_ratio)
        return;
    count(tcp, packet->to, packet->bytes, false);
    if (packet->sort == PACKET_DATA)
        take_data(tcp, packet);
    else if (packet->sort == PACKET_ACK)
        take_ack(tcp, packet);
}

static void settle(struct tcp *tcp)
{
    struct rows settled = tcp->settled;

    tcp->settled = (struct rows){ .row_size = sizeof(struct settled) };
    for (size_t i = 0; i < settled.count; i++) {
        struct settled *one = rows_at(&settled, i);

        deliver(tcp, one);
        free(one->packet);
    }
    rows_clear(&settled);
}

static void add_times(struct tcp *tcp, uint64_t passed_ns)
{
    tcp->busy_ns += tcp->is_busy ? (double) passed_ns : 0;
    tcp->receiver_ns += tcp->is_receiver_limited ? (double) passed_ns : 0;
    tcp->buffer_ns += tcp->is_buffer_limited ? (double) passed_ns : 0;
}

static size_t lost_now(const struct tcp *tcp)
{
    size_t lost = 0;

    for (size_t i = tcp->acked; i < tcp->next; i++)
        lost += tcp->segments[i].is_lost;
    return lost;
}

static size_t sacked_now(const struct tcp *tcp)
{
    size_t sacked = 0;

    for (size_t i = tcp->acked; i < tcp->next; i++)
        sacked += tcp->segments[i].is_acked;
    return sacked;
}

/* As the agent packs it. */
static void tell_more(const struct tcp *tcp, struct download_tcp *row)
{
    const uint64_t tenths = (tcp->now_ns - tcp->heard_ns) / (100 * NS_PER_MS);

    row->needless_count = tcp->needless_told;
    row->sacked_segments = sacked_now(tcp);
    if (tcp->acked < tcp->next)
        row->quiet_us = tenths < 5 ? 1 : tenths * 100000;
}

static void sample(struct tcp *tcp)
{
    struct download_tcp *row = rows_add(tcp->samples);

    *row = (struct download_tcp){
        .at_ns = sender_epoch_ns + tcp->now_ns,
        .rtt_us = (uint64_t) (tcp->srtt_ns * 1e-3),
        .rtt_variation_us = (uint64_t) (tcp->variation_ns * 1e-3),
        .least_rtt_us = (uint64_t) (tcp->least_ns * 1e-3),
        .window_segments = (uint64_t) tcp->window,
        .threshold_segments = (uint64_t) fmin(tcp->threshold, 2147483647),
        .segment_bytes = (uint64_t) tcp->model->segment_bytes,
        .acked_bytes =
            (uint64_t) ((double) tcp->acked * tcp->model->segment_bytes),
        .sent_bytes = (uint64_t) tcp->sent_bytes,
        .repeated_bytes = (uint64_t) tcp->repeated_bytes,
        .unacked_segments = tcp->next - tcp->acked,
        .lost_segments = lost_now(tcp),
        .busy_us = (uint64_t) (tcp->busy_ns * 1e-3),
        .receiver_limited_us = (uint64_t) (tcp->receiver_ns * 1e-3),
        .buffer_limited_us = (uint64_t) (tcp->buffer_ns * 1e-3),
    };
    if (!tcp->model->tells_less)
        tell_more(tcp, row);
    tcp->next_sample_ns += SAMPLE_NS;
}

static void offer_others(struct tcp *tcp)
{
    for (size_t i = 0; i < tcp->model->other_count; i++) {
        const struct model_other *other = &tcp->model->others[i];

        while (tcp->next_other_ns[i] <= tcp->now_ns) {
            put(tcp, PACKET_OTHER, 0, other->from, other->to, other->bytes);
            tcp->next_other_ns[i] +=
                (uint64_t) (-log(1 - unit(tcp)) * other->gap_s * 1e9) + 1;
        }
    }
}

static uint64_t earlier(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static uint64_t next_ns(const struct tcp *tcp)
{
    uint64_t at_ns = earlier(air_next_ns(tcp->air), tcp->next_sample_ns);

    at_ns = earlier(at_ns, tcp->deadline_ns);
    at_ns = earlier(at_ns, tcp->acknowledge_ns);
    for (size_t i = 0; i < tcp->model->other_count; i++)
        at_ns = earlier(at_ns, tcp->next_other_ns[i]);
    /* Feeding by time or by pace is looked after often enough. */
    at_ns = earlier(at_ns, tcp->now_ns + 20 * NS_PER_MS);
    return at_ns > tcp->now_ns ? at_ns : tcp->now_ns + 1;
}

static bool is_finished(const struct tcp *tcp)
{
    const struct tcp_model *model = tcp->model;
    const bool is_fed =
        model->for_ns ? tcp->now_ns >= model->for_ns : tcp->fed >= tcp->all;
    const uint64_t most_ns =
        model->for_ns ? model->for_ns + TAIL_NS : 600 * NS_PER_S;

    return (is_fed && tcp->acked >= tcp->fed) || tcp->now_ns >= most_ns;
}

static void tcp_init(struct tcp *tcp, const struct tcp_model *model)
{
    const struct air_listener listener = { .on_fate = on_fate, .owner = tcp };

    *tcp = (struct tcp){
        .model = model,
        .draw = { model->seed },
        .settled.row_size = sizeof(struct settled),
        .window = 10,
        .threshold = 1e9,
        .timeout_ns = NS_PER_S,
        .deadline_ns = NEVER,
        .acknowledge_ns = NEVER,
        .segments = calloc(SEGMENTS_MOST, sizeof(struct segment)),
        .all = (size_t) ceil((double) model->size_bytes / model->segment_bytes),
    };
    if (!tcp->segments)
        abort();
    tcp->air = air_new(&model->air, &listener, 0);
}

static void tcp_clear(struct tcp *tcp)
{
    air_close(tcp->air, tcp->now_ns);
    for (size_t i = 0; i < tcp->settled.count; i++)
        free(((struct settled *) rows_at(&tcp->settled, i))->packet);
    rows_clear(&tcp->settled);
    air_free(tcp->air);
    free(tcp->segments);
}

static void run(struct tcp *tcp)
{
    while (!is_finished(tcp)) {
        const uint64_t at_ns = next_ns(tcp);

        add_times(tcp, at_ns - tcp->now_ns);
        tcp->now_ns = at_ns;
        air_advance(tcp->air, at_ns);
        settle(tcp);
        offer_others(tcp);
        if (at_ns >= tcp->deadline_ns)
            time_out(tcp);
        if (at_ns >= tcp->acknowledge_ns)
            acknowledge(tcp);
        feed(tcp);
        push(tcp);
        if (at_ns >= tcp->next_sample_ns)
            sample(tcp);
    }
    sample(tcp);
}

/* --- accounts --------------------------------------------------------------
 */

static void begin(struct exchange_account *account, const char *part,
                  uint64_t epoch_ns, uint64_t took_ns)
{
    (void) snprintf(account->part, sizeof(account->part), "%s", part);
    (void) snprintf(account->interface, NAME_SIZE, "radio0");
    (void) snprintf(account->interface_after, NAME_SIZE, "radio0");
    account->state = ACCOUNT_DONE;
    account->begun_ns = epoch_ns;
    account->ended_ns = epoch_ns + took_ns;
    account->mtu_bytes = 1500;
    account->identification_count = 2;
    account->identification_bytes = 130;
}

/* Identifications and the opening count too. */
static void tell_counters(struct exchange_account *account,
                          const struct counters *at)
{
    account->sent_bytes_before = 100000;
    account->received_bytes_before = 200000;
    account->sent_packets_before = 1000;
    account->received_packets_before = 2000;
    account->sent_bytes_after = 100000 + 900 + (uint64_t) at->sent_bytes;
    account->received_bytes_after =
        200000 + 900 + (uint64_t) at->received_bytes;
    account->sent_packets_after = 1000 + 8 + (uint64_t) at->sent_packets;
    account->received_packets_after =
        2000 + 8 + (uint64_t) at->received_packets;
}

void tcp_model_run(const struct tcp_model *model,
                   struct exchange_account *ret_sender,
                   struct exchange_account *ret_receiver)
{
    struct tcp tcp;

    account_init(ret_sender, &download_kind);
    account_init(ret_receiver, &download_kind);
    tcp_init(&tcp, model);
    tcp.arrivals = &ret_receiver->series[0];
    tcp.samples = &ret_sender->series[1];
    run(&tcp);
    begin(ret_sender, "sender", sender_epoch_ns, tcp.now_ns);
    begin(ret_receiver, "receiver", receiver_epoch_ns, tcp.now_ns);
    tell_counters(ret_sender, &tcp.at_sender);
    tell_counters(ret_receiver, &tcp.at_receiver);
    struct download_connection *connection = rows_add(&ret_receiver->series[2]);

    connection->opened_ns = receiver_epoch_ns;
    connection->request_ns = receiver_epoch_ns + 1;
    tcp_clear(&tcp);
}

/* --- echoes ----------------------------------------------------------------
 */

static bool take_echo(struct tcp *tcp, const struct settled *settled)
{
    if (!settled->is_delivered || is_out(tcp->model, settled->at_ns)
        || unit(tcp) < tcp->model->loss_ratio)
        return false;
    if (settled->packet->sort == PACKET_ECHO)
        put(tcp, PACKET_REPLY, 0, tcp->model->receiver, tcp->model->sender, 84);
    return settled->packet->sort == PACKET_REPLY;
}

/* Until the answer, or for so long. */
static uint64_t wait_for_answer(struct tcp *tcp, uint64_t wait_ns)
{
    const uint64_t sent_ns = tcp->now_ns;

    put(tcp, PACKET_ECHO, 0, tcp->model->sender, tcp->model->receiver, 84);
    while (tcp->now_ns < sent_ns + wait_ns) {
        bool is_answered = false;

        tcp->now_ns = next_ns(tcp);
        air_advance(tcp->air, tcp->now_ns);
        struct rows settled = tcp->settled;

        tcp->settled = (struct rows){ .row_size = sizeof(struct settled) };
        for (size_t i = 0; i < settled.count; i++) {
            struct settled *one = rows_at(&settled, i);

            is_answered = take_echo(tcp, one) || is_answered;
            free(one->packet);
        }
        rows_clear(&settled);
        offer_others(tcp);
        if (is_answered)
            return tcp->now_ns - sent_ns;
    }
    return 0;
}

static void pass(struct tcp *tcp, uint64_t until_ns)
{
    while (tcp->now_ns < until_ns) {
        tcp->now_ns = earlier(next_ns(tcp), until_ns);
        air_advance(tcp->air, tcp->now_ns);
        settle(tcp);
        offer_others(tcp);
    }
}

void echo_model_run(const struct tcp_model *model, size_t echo_count,
                    double gap_s, uint64_t *ret_rtts_ns)
{
    struct tcp tcp;

    tcp_init(&tcp, model);
    tcp.next_sample_ns = NEVER;
    for (size_t i = 0; i < echo_count; i++) {
        pass(&tcp, tcp.now_ns + (uint64_t) ((0.5 + unit(&tcp)) * gap_s * 1e9));
        ret_rtts_ns[i] = wait_for_answer(&tcp, 5 * NS_PER_S);
    }
    tcp_clear(&tcp);
}
