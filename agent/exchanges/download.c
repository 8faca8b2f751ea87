/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/download_parts.h"
#include "agent/exchanges/table.h"
#include "agent/http.h"
#include "agent/memory.h"

/* TCP is asked four times a second. */
#define TCP_EVERY_MS 250

/* The flow, top to bottom. */
static void on_tcp_timer(uv_timer_t *timer);
static void end_if_through(struct download *download);
static void close_download(struct download *download);
static void on_handle_closed(struct download *download);

/* --- arming and beginning ------------------------------------------------ */

uint64_t download_end_ns(const struct download *download)
{
    const uint64_t feed_ns = download_feed_ns(&download->spec);

    if (!feed_ns)
        return UINT64_MAX;
    return exchange_start_ns(download->exchange) + feed_ns;
}

/* An equal share each, the first ones a byte more. */
static uint64_t share_bytes(const struct download *download, uint64_t number)
{
    const uint64_t size_bytes = download->spec.size_bytes;
    const uint64_t count = download->connection_count;

    if (!size_bytes)
        return UINT64_MAX;
    return size_bytes / count + (number < size_bytes % count ? 1 : 0);
}

static void prepare_connections(struct download *download)
{
    for (size_t i = 0; i < download->connection_count; i++) {
        struct data_connection *connection = &download->connections[i];

        connection->download = download;
        connection->number = i;
        connection->socket = -1;
        connection->row.connection = i;
        connection->share_bytes = share_bytes(download, i);
    }
}

static int arm(struct exchange *exchange, bool is_sender, void **ret_state,
               struct fault *fault)
{
    const struct exchange_order *order = exchange_order_of(exchange);
    struct download_spec spec;

    memcpy(&spec, &order->spec, sizeof(spec));
    if (spec.connections < 1 || spec.connections > DOWNLOAD_CONNECTIONS_MAX)
        return fault_set(
            fault, UV_EINVAL, "connections: found %llu, expected 1 to %d",
            (unsigned long long) spec.connections, DOWNLOAD_CONNECTIONS_MAX);
    const bool is_opener = is_sender == (spec.opener == OPENER_SENDER);
    int status = 0;

    if (!is_opener)
        status = exchange_follow_routes(exchange, EXCHANGE_LET_IT_OPEN, fault);
    else if (spec.url[0])
        status = download_check_url(exchange, &spec, fault);
    if (status < 0)
        return status;
    struct download *download = mem_new(struct download);
    download->exchange = exchange;
    download->spec = spec;
    download->looks.within_ratio = spec.within_ratio;
    download->is_sender = is_sender;
    download->is_opener = is_opener;
    download->connection_count = (size_t) spec.connections;
    if (!spec.url[0])
        download->mark_bytes = payload_mark(order, download->mark);
    download->arrivals = exchange_series(exchange, "arrivals");
    download->tcp = exchange_series(exchange, "tcp");
    download->rows = exchange_series(exchange, "connections");
    prepare_connections(download);
    *ret_state = download;
    return 0;
}

static int arm_sender(struct exchange *exchange, void **ret_state,
                      struct fault *fault)
{
    return arm(exchange, true, ret_state, fault);
}

static int arm_receiver(struct exchange *exchange, void **ret_state,
                        struct fault *fault)
{
    return arm(exchange, false, ret_state, fault);
}

static void begin(struct exchange *exchange, void *state)
{
    struct download *download = state;
    uv_loop_t *loop = exchange_site_of(exchange)->loop;

    download->is_begun = true;
    (void) uv_timer_init(loop, &download->tcp_timer);
    (void) uv_timer_init(loop, &download->check_timer);
    download->tcp_timer.data = download->check_timer.data = download;
    download->open_handles = 2;
    (void) uv_timer_start(&download->tcp_timer, on_tcp_timer, TCP_EVERY_MS,
                          TCP_EVERY_MS);
    if (download->is_opener) {
        const int status = download_open_all(download);

        if (status != 0) {
            exchange_trouble(exchange, "cannot connect: %s",
                             uv_strerror(status));
            close_download(download);
        }
        return;
    }
    for (size_t i = 0; i < download->connection_count; i++) {
        if (download->connections[i].request && download->is_sender)
            download_answer(&download->connections[i]);
    }
    end_if_through(download); /* an upload may have come and gone before */
}

/* --- TCP's own account --------------------------------------------------- */

/* The kernel counts the SYN of the end that connects among the bytes that were
 * acknowledged to it. */
static int read_tcp(const struct data_connection *connection,
                    struct download_tcp *ret_row)
{
    const int status = connection->socket < 0
                           ? UV_EBADF
                           : tcp_info_read(connection->socket, ret_row);

    if (status == 0 && connection->download->is_opener && ret_row->acked_bytes)
        ret_row->acked_bytes--;
    return status;
}

static void ask_tcp(const struct data_connection *connection)
{
    struct download_tcp row;

    if (read_tcp(connection, &row) != 0)
        return;
    row.connection = connection->number;
    row.at_ns = clock_now_ns();
    memcpy(rows_add(connection->download->tcp), &row, sizeof(row));
}

static void on_tcp_timer(uv_timer_t *timer)
{
    struct download *download = timer->data;

    for (size_t i = 0; i < download->connection_count; i++)
        ask_tcp(&download->connections[i]);
    download_end_url_in_time(download);
    download_until_look(download);
}

void download_opened(struct data_connection *connection, int socket)
{
    connection->state = DATA_OPEN;
    connection->socket = socket;
    tcp_info_congestion_control(socket, connection->row.congestion_control,
                                sizeof(connection->row.congestion_control));
}

/*
 * What TCP carried in the data's direction, beside the content.  (Bytes sent
 * less bytes repeated is no measure of it: what the computer's own queue drops
 * is counted in the one and not always in the other.)
 */
static void note_framing(struct data_connection *connection)
{
    const bool is_sender = connection->download->is_sender;
    struct download_tcp row;

    if (read_tcp(connection, &row) != 0)
        return;
    const uint64_t carried_bytes =
        is_sender ? row.acked_bytes : row.received_bytes;
    if (carried_bytes > connection->row.content_bytes)
        connection->row.framing_bytes =
            carried_bytes - connection->row.content_bytes;
}

void download_note_ports(struct data_connection *connection)
{
    struct sockaddr_storage address = { 0 };
    socklen_t address_bytes = sizeof(address);
    struct sockaddr *name = (struct sockaddr *) &address;

    if (getsockname(connection->socket, name, &address_bytes) == 0)
        connection->row.local_port = address_port(name);
    address_bytes = sizeof(address);
    if (getpeername(connection->socket, name, &address_bytes) == 0)
        connection->row.peer_port = address_port(name);
}

void download_leaves_socket(struct data_connection *connection)
{
    if (connection->socket < 0)
        return;
    ask_tcp(connection);
    note_framing(connection);
    connection->socket = -1;
}

/* --- ending -------------------------------------------------------------- */

void download_connection_ended(struct data_connection *connection,
                               enum data_state state)
{
    connection->state = state;
    end_if_through(connection->download);
}

/* The other end has said that it is through: nobody will open the rest. */
static bool is_waiting_in_vain(const struct download *download)
{
    return !download->is_opener && exchange_peer_has_ended(download->exchange);
}

static void end_if_through(struct download *download)
{
    size_t unopened_count = 0;

    if (download->is_closing || !download->is_begun)
        return;
    for (size_t i = 0; i < download->connection_count; i++) {
        const enum data_state state = download->connections[i].state;

        if (state == DATA_OPEN || state == DATA_DRAINING)
            return;
        unopened_count += state == DATA_UNOPENED;
    }
    if (unopened_count && !is_waiting_in_vain(download))
        return;
    if (unopened_count)
        exchange_trouble(download->exchange,
                         "the other end has ended and never opened %zu of "
                         "%zu connections",
                         unopened_count, download->connection_count);
    close_download(download);
}

static uint64_t done_so_far(const void *state)
{
    const struct download *download = state;
    uint64_t content_bytes = 0;

    for (size_t i = 0; i < download->connection_count; i++)
        content_bytes += download->connections[i].row.content_bytes;
    return content_bytes;
}

static void peer_ended(struct exchange *exchange, void *state)
{
    (void) exchange;
    end_if_through(state);
}

static void write_outcome(struct download *download)
{
    struct download_outcome *outcome =
        (struct download_outcome *) exchange_account_of(download->exchange)
            ->outcome.bytes;

    outcome->tail_bytes = download->tail_bytes;
    outcome->most_unsent_bytes = download->most_unsent_bytes;
    download_until_tell(download, &outcome->looks);
    for (size_t i = 0; i < download->connection_count; i++) {
        const struct data_connection *connection = &download->connections[i];

        outcome->content_bytes += connection->row.content_bytes;
        if (connection->fed_until_ns > outcome->fed_until_ns)
            outcome->fed_until_ns = connection->fed_until_ns;
        if (connection->row.opened_ns)
            memcpy(rows_add(download->rows), &connection->row,
                   sizeof(connection->row));
    }
}

/* Whatever is still open is cut off. */
static void drop_connection(struct data_connection *connection)
{
    if (connection->socket >= 0)
        tcp_info_discard_on_close(connection->socket);
    if (connection->easy)
        download_drop_transfer(connection);
    if (!connection->download->is_opener)
        download_server_leaves(connection);
    if (connection->request)
        http_abort(connection->request);
}

static void on_curl_closed(void *owner)
{
    on_handle_closed(owner);
}

static void on_timer_closed(uv_handle_t *handle)
{
    on_handle_closed(handle->data);
}

static void close_download(struct download *download)
{
    if (download->is_closing)
        return;
    download->is_closing = true;
    for (size_t i = 0; i < download->connection_count; i++)
        drop_connection(&download->connections[i]);
    write_outcome(download);
    if (!download->is_begun) {
        exchange_finish(download->exchange);
        return;
    }
    if (download->curl.multi) {
        download->open_handles++;
        curl_loop_close(&download->curl, on_curl_closed);
    }
    uv_close((uv_handle_t *) &download->tcp_timer, on_timer_closed);
    uv_close((uv_handle_t *) &download->check_timer, on_timer_closed);
}

void download_end(struct download *download)
{
    close_download(download);
}

static void on_handle_closed(struct download *download)
{
    if (--download->open_handles == 0)
        exchange_finish(download->exchange);
}

static void stop(struct exchange *exchange, void *state)
{
    (void) exchange;
    close_download(state);
}

static void dispose(void *state)
{
    struct download *download = state;

    for (size_t i = 0; i < download->connection_count; i++)
        payload_clear(&download->connections[i].payload);
    curl_slist_free_all(download->heads);
    curl_slist_free_all(download->aims);
    free(download->cycles.rates_bps);
    free(download);
}

const struct exchange_part download_sender = {
    .kind = &download_kind,
    .part = "sender",
    .arm = arm_sender,
    .begin = begin,
    .stop = stop,
    .data_request = download_take_request,
    .data_gone = download_request_gone,
    .done_so_far = done_so_far,
    .peer_ended = peer_ended,
    .dispose = dispose,
};

const struct exchange_part download_receiver = {
    .kind = &download_kind,
    .part = "receiver",
    .arm = arm_receiver,
    .begin = begin,
    .stop = stop,
    .data_request = download_take_request,
    .data_gone = download_request_gone,
    .done_so_far = done_so_far,
    .peer_ended = peer_ended,
    .dispose = dispose,
};
