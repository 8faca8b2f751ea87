/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/messages_parts.h"
#include "agent/exchanges/table.h"
#include "agent/exchanges/tcp_info.h"
#include "agent/http.h"
#include "agent/memory.h"

/*
 * messages: each end sends its own by a schedule that follows from the seed
 * (messages_schedule in the contract draws the same), and confirms each message
 * of the other as soon as it has read it.  An end says so when it is through:
 * all of its own are confirmed, or have waited out.  When both have said so the
 * connection is closed.
 */

/* More than this waiting to be taken by TCP: the link does not keep up, and a
 * further message would only measure our own queue. */
#define UNSENT_MOST_BYTES ((size_t) 1024 * 1024)
/* Confirmations that nobody takes any more. */
#define QUEUE_MOST_BYTES (4 * UNSENT_MOST_BYTES)

/* The flow, top to bottom. */
static void on_wake(void *owner);
static void send_due(struct messages *messages);
static bool on_frame(void *owner, const struct frame *frame);
static void go_on(struct messages *messages);
static void close_messages(struct messages *messages, bool is_cut);
static void on_handle_closed(struct messages *messages);

static struct messages_outcome *outcome_of(const struct messages *messages)
{
    return (struct messages_outcome *) exchange_account_of(messages->exchange)
        ->outcome.bytes;
}

/* --- arming and beginning ------------------------------------------------ */

static int arm(struct exchange *exchange, bool is_second, void **ret_state,
               struct fault *fault)
{
    struct messages_spec spec;

    memcpy(&spec, &exchange_order_of(exchange)->spec, sizeof(spec));
    const bool is_opener = is_second == (spec.opener == MESSAGES_OPENER_SECOND);
    const int status =
        is_opener
            ? 0
            : exchange_follow_routes(exchange, EXCHANGE_LET_IT_OPEN, fault);
    if (status < 0)
        return status;
    struct messages *messages = mem_new(struct messages);

    messages->exchange = exchange;
    messages->spec = spec;
    messages->is_second = is_second;
    messages->is_opener = is_opener;
    messages->sent = exchange_series(exchange, "sent");
    messages->received = exchange_series(exchange, "received");
    *ret_state = messages;
    return 0;
}

static int arm_first(struct exchange *exchange, void **ret_state,
                     struct fault *fault)
{
    return arm(exchange, false, ret_state, fault);
}

static int arm_second(struct exchange *exchange, void **ret_state,
                      struct fault *fault)
{
    return arm(exchange, true, ret_state, fault);
}

static void begin(struct exchange *exchange, void *state)
{
    struct messages *messages = state;
    const int status = wake_init(
        &messages->next, exchange_site_of(exchange)->loop, on_wake, messages);

    if (status != 0) {
        messages_fail(messages, "cannot send messages: %s",
                      uv_strerror(status));
        return;
    }
    messages->has_wake = true;
    messages->open_handles++;
    wake_set(&messages->next,
             exchange_start_ns(exchange) + messages->spec.wait_ns);
    if (messages->is_opener)
        messages_connect(messages);
    else if (messages->request)
        messages_answer(messages);
}

static void note_ports(struct messages *messages)
{
    struct sockaddr_storage address = { 0 };
    struct sockaddr *name = (struct sockaddr *) &address;
    int address_bytes = sizeof(address);

    if (uv_tcp_getsockname(&messages->tcp, name, &address_bytes) == 0)
        outcome_of(messages)->local_port = address_port(name);
    address_bytes = sizeof(address);
    if (uv_tcp_getpeername(&messages->tcp, name, &address_bytes) == 0)
        outcome_of(messages)->peer_port = address_port(name);
}

static void take_frames(struct messages *messages, const char *piece,
                        size_t piece_bytes)
{
    struct fault fault = { 0 };

    outcome_of(messages)->stream_bytes_in += piece_bytes;
    if (frame_take(&messages->reader, piece, piece_bytes, on_frame, messages,
                   &fault)
        != 0)
        messages_fail(messages, "%s", fault.text);
    else if (messages->state == MESSAGES_OPEN)
        go_on(messages);
}

void messages_opened(struct messages *messages, const char *early,
                     size_t early_bytes)
{
    const struct exchange_order *order = exchange_order_of(messages->exchange);

    messages->state = MESSAGES_OPEN;
    messages->opened_ns = clock_now_ns();
    messages->give_up_ns = messages->opened_ns
                           + messages_last_ns(&messages->spec, order->seed)
                           + messages->spec.wait_ns + MESSAGES_CLOSING_NS;
    outcome_of(messages)->opened_ns = messages->opened_ns;
    note_ports(messages);
    messages_schedule_init(&messages->schedule, &messages->spec, order->seed,
                           messages->is_second);
    take_frames(messages, early, early_bytes);
}

/* --- sending ------------------------------------------------------------- */

struct writing {
    uv_write_t write;
    struct messages *messages; /* borrowed: it waits for all writings */
    char bytes[];
};

static uint64_t confirmed_so_far(const void *state)
{
    const struct messages *messages = state;

    return messages->sent->count - messages->outstanding_count;
}

static void tell_broken(struct messages *messages, int status)
{
    const uint64_t confirmed_count = confirmed_so_far(messages);

    messages_fail(messages,
                  "the connection broke off (%s) when %llu of %llu messages "
                  "had been confirmed and %llu received",
                  status == UV_EOF ? "closed by the other end"
                                   : uv_strerror(status),
                  (unsigned long long) confirmed_count,
                  (unsigned long long) messages->sent->count,
                  (unsigned long long) messages->received->count);
}

static void on_written(uv_write_t *write, int status)
{
    struct writing *writing = (struct writing *) (void *) write;
    struct messages *messages = writing->messages;

    free(writing);
    messages->pending_writes--;
    if (messages->state == MESSAGES_CLOSED)
        return;
    if (status != 0)
        tell_broken(messages, status);
    else if (messages->state == MESSAGES_OPEN)
        go_on(messages);
}

void messages_write(struct messages *messages, const char *bytes,
                    size_t byte_count)
{
    struct writing *writing =
        mem_checked(malloc(sizeof(*writing) + byte_count));
    const uv_buf_t buffer = uv_buf_init(writing->bytes, (unsigned) byte_count);

    writing->messages = messages;
    memcpy(writing->bytes, bytes, byte_count);
    const int status = uv_write(&writing->write, (uv_stream_t *) &messages->tcp,
                                &buffer, 1, on_written);
    if (status != 0) {
        free(writing);
        tell_broken(messages, status);
        return;
    }
    messages->pending_writes++;
}

static void write_frame(struct messages *messages, const struct frame *frame)
{
    const size_t most_bytes = FRAME_LINE_MOST + (size_t) frame->text_bytes;
    char *room = mem_checked(malloc(most_bytes));
    const size_t frame_bytes =
        frame_write(frame, exchange_order_of(messages->exchange), room);

    outcome_of(messages)->stream_bytes_out += frame_bytes;
    messages_write(messages, room, frame_bytes);
    free(room);
}

static size_t queued_bytes(const struct messages *messages)
{
    return uv_stream_get_write_queue_size((const uv_stream_t *) &messages->tcp);
}

static void send_message(struct messages *messages)
{
    const struct messages_schedule *schedule = &messages->schedule;
    const struct frame frame = { .kind = FRAME_MESSAGE,
                                 .number = schedule->number,
                                 .text_bytes = schedule->size_bytes };
    struct messages_sent *row = rows_add(messages->sent);

    row->sequence = schedule->number;
    row->size_bytes = schedule->size_bytes;
    row->handed_ns = clock_now_ns();
    if (queued_bytes(messages) > UNSENT_MOST_BYTES) {
        row->state = MESSAGE_UNSENT;
        exchange_note(messages->exchange,
                      "message %llu not sent: a megabyte waits already",
                      (unsigned long long) schedule->number);
        return;
    }
    messages->outstanding_count++;
    write_frame(messages, &frame);
}

static uint64_t due_ns(const struct messages *messages)
{
    return messages->opened_ns + messages->schedule.at_ns;
}

static void send_due(struct messages *messages)
{
    while (messages->state == MESSAGES_OPEN && !messages->schedule.is_over
           && due_ns(messages) <= clock_now_ns()) {
        send_message(messages);
        messages_advance(&messages->schedule);
    }
}

/* --- receiving ----------------------------------------------------------- */

void messages_on_room(uv_handle_t *handle, size_t wish_bytes, uv_buf_t *buffer)
{
    struct messages *messages = handle->data;

    (void) wish_bytes;
    *buffer = uv_buf_init(messages->read_room, sizeof(messages->read_room));
}

void messages_on_read(uv_stream_t *stream, ssize_t byte_count,
                      const uv_buf_t *buffer)
{
    struct messages *messages = stream->data;

    if (byte_count == 0 || messages->state == MESSAGES_CLOSED)
        return;
    if (byte_count == UV_EOF && messages->has_ended && messages->peer_has_ended)
        close_messages(messages, false);
    else if (byte_count < 0)
        tell_broken(messages, (int) byte_count);
    else if (messages->state == MESSAGES_ASKING)
        messages_take_head(messages, buffer->base, (size_t) byte_count);
    else
        take_frames(messages, buffer->base, (size_t) byte_count);
}

static void take_message(struct messages *messages, const struct frame *frame)
{
    const struct frame confirmation = { .kind = FRAME_CONFIRM,
                                        .number = frame->number };
    struct messages_received *row = rows_add(messages->received);

    row->received_ns = clock_now_ns();
    row->sequence = frame->number;
    row->size_bytes = frame->text_bytes;
    row->is_in_order = frame->number == messages->next_number;
    messages->next_number = frame->number + 1;
    if (messages->received->count > MESSAGES_NUMBER_MAX
        || queued_bytes(messages) > QUEUE_MOST_BYTES)
        messages_fail(messages, "the other end sends more messages than it "
                                "takes confirmations");
    else
        write_frame(messages, &confirmation);
}

static void take_confirmation(struct messages *messages, uint64_t number)
{
    const uint64_t now_ns = clock_now_ns();
    struct messages_sent *row =
        number < messages->sent->count ? rows_at(messages->sent, number) : NULL;

    if (!row || row->state == MESSAGE_UNSENT) {
        messages_fail(messages,
                      "the other end confirmed message %llu, which was never "
                      "sent",
                      (unsigned long long) number);
    } else if (row->confirmed_ns) {
        row->duplicates_count++;
    } else {
        row->confirmed_ns = now_ns;
        messages->outstanding_count--;
    }
}

static bool on_frame(void *owner, const struct frame *frame)
{
    struct messages *messages = owner;

    switch (frame->kind) {
    case FRAME_MESSAGE:
        take_message(messages, frame);
        break;
    case FRAME_CONFIRM:
        take_confirmation(messages, frame->number);
        break;
    case FRAME_END:
        messages->peer_has_ended = true;
        break;
    }
    return messages->state == MESSAGES_OPEN;
}

/* --- ending -------------------------------------------------------------- */

/* When the youngest of those not confirmed has waited out; 0: none is left. */
static uint64_t waited_out_ns(const struct messages *messages)
{
    if (!messages->outstanding_count)
        return 0;
    for (size_t number = messages->sent->count; number-- > 0;) {
        const struct messages_sent *row = rows_at(messages->sent, number);

        if (row->state != MESSAGE_UNSENT && !row->confirmed_ns)
            return row->handed_ns + messages->spec.wait_ns;
    }
    return 0;
}

static void say_end(struct messages *messages)
{
    const struct frame end = { .kind = FRAME_END,
                               .number = messages->sent->count };

    messages->has_ended = true;
    write_frame(messages, &end);
}

/* After everything that may bring the end nearer: do what is due, and set the
 * next wake. */
static void go_on(struct messages *messages)
{
    send_due(messages);
    if (messages->state != MESSAGES_OPEN)
        return;
    if (!messages->schedule.is_over) {
        wake_set(&messages->next, due_ns(messages));
        return;
    }
    const uint64_t wait_until_ns = waited_out_ns(messages);
    if (!messages->has_ended && clock_now_ns() < wait_until_ns) {
        wake_set(&messages->next, wait_until_ns);
        return;
    }
    if (!messages->has_ended)
        say_end(messages);
    if (messages->state != MESSAGES_OPEN)
        return;
    if (messages->peer_has_ended && messages->pending_writes == 0)
        close_messages(messages, false);
    else
        wake_set(&messages->next, messages->give_up_ns);
}

static void on_wake(void *owner)
{
    struct messages *messages = owner;

    if (messages->state == MESSAGES_CLOSED)
        return;
    if (messages->state != MESSAGES_OPEN) {
        messages_fail(messages, "the connection was not open within %.1f s",
                      (double) messages->spec.wait_ns / 1e9);
        return;
    }
    if (messages->has_ended && clock_now_ns() >= messages->give_up_ns) {
        exchange_note(messages->exchange,
                      "the other end never said that it was through");
        close_messages(messages, true);
        return;
    }
    go_on(messages);
}

void messages_fail(struct messages *messages, const char *format, ...)
{
    char text[160];
    va_list arguments;

    if (messages->state == MESSAGES_CLOSED)
        return;
    va_start(arguments, format);
    (void) vsnprintf(text, sizeof(text), format, arguments);
    va_end(arguments);
    exchange_trouble(messages->exchange, "%s", text);
    close_messages(messages, true);
}

static void settle_row(struct messages *messages, struct messages_sent *row)
{
    struct messages_outcome *outcome = outcome_of(messages);

    if (row->state == MESSAGE_UNSENT) {
        outcome->unsent_count++;
        return;
    }
    outcome->sent_count++;
    outcome->duplicates_count += row->duplicates_count;
    if (row->confirmed_ns)
        row->state =
            row->confirmed_ns - row->handed_ns <= messages->spec.wait_ns
                ? MESSAGE_CONFIRMED
                : MESSAGE_LATE;
    if (row->state == MESSAGE_CONFIRMED)
        outcome->confirmed_count++;
    else
        outcome->unconfirmed_count++;
    if (row->state == MESSAGE_LATE)
        outcome->late_count++;
}

static void settle(struct messages *messages)
{
    struct messages_outcome *outcome = outcome_of(messages);

    for (size_t i = 0; i < messages->sent->count; i++)
        settle_row(messages, rows_at(messages->sent, i));
    outcome->received_count = messages->received->count;
    for (size_t i = 0; i < messages->received->count; i++) {
        const struct messages_received *row = rows_at(messages->received, i);

        outcome->out_of_order_count += !row->is_in_order;
    }
}

/* The server's own descriptor goes after ours: then the request is gone, and
 * only then is the end in order. */
static void on_tcp_closed(uv_handle_t *handle)
{
    struct messages *messages = handle->data;

    if (messages->is_switched && messages->request)
        http_leave(messages->request);
    on_handle_closed(messages);
}

static void on_wake_closed(void *owner)
{
    on_handle_closed(owner);
}

/* Cut: what is still queued is thrown away, for nothing may keep a far
 * transmitter going. */
static void close_messages(struct messages *messages, bool is_cut)
{
    uv_os_fd_t socket = -1;

    if (messages->state == MESSAGES_CLOSED)
        return;
    messages->state = MESSAGES_CLOSED;
    settle(messages);
    messages->open_handles++; /* until all is under way */
    if (messages->has_tcp) {
        if (is_cut
            && uv_fileno((const uv_handle_t *) &messages->tcp, &socket) == 0)
            tcp_info_discard_on_close(socket);
        uv_close((uv_handle_t *) &messages->tcp, on_tcp_closed);
    }
    if (messages->has_wake)
        wake_close(&messages->next, on_wake_closed);
    on_handle_closed(messages);
}

static void on_handle_closed(struct messages *messages)
{
    if (--messages->open_handles == 0)
        exchange_finish(messages->exchange);
}

static void data_gone(struct exchange *exchange, void *state,
                      struct http_request *request)
{
    struct messages *messages = state;

    (void) exchange;
    if (messages->request != request)
        return;
    messages->request = NULL;
    if (messages->is_switched) {
        messages->is_switched = false;
        on_handle_closed(messages);
    } else if (messages->state == MESSAGES_SWITCHING) {
        messages_fail(messages, "the connection broke off before it was open");
    }
}

/* The other end is through and never opened the connection: it will not. */
static void peer_ended(struct exchange *exchange, void *state)
{
    struct messages *messages = state;

    (void) exchange;
    if (messages->state == MESSAGES_UNOPENED && !messages->is_opener)
        messages_fail(messages, "the other end has ended and never opened the "
                                "connection");
}

static void stop(struct exchange *exchange, void *state)
{
    (void) exchange;
    close_messages(state, true);
}

const struct exchange_part messages_first = {
    .kind = &messages_kind,
    .part = "first",
    .arm = arm_first,
    .begin = begin,
    .stop = stop,
    .data_request = messages_take_request,
    .data_gone = data_gone,
    .done_so_far = confirmed_so_far,
    .peer_ended = peer_ended,
    .dispose = free,
};

const struct exchange_part messages_second = {
    .kind = &messages_kind,
    .part = "second",
    .arm = arm_second,
    .begin = begin,
    .stop = stop,
    .data_request = messages_take_request,
    .data_gone = data_gone,
    .done_so_far = confirmed_so_far,
    .peer_ended = peer_ended,
    .dispose = free,
};
