/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/download_parts.h"
#include "agent/http.h"
#include "agent/netinfo.h"

#include <fcntl.h>
#include <unistd.h>

/*
 * The end that is connected to.  It keeps a duplicate of each connection's
 * descriptor, so that TCP can be asked until all is acknowledged: the HTTP
 * server's request is gone as soon as the last byte is in the socket.
 */

static void on_piece(void *owner, const void *piece, size_t piece_bytes);
static void on_upload_end(void *owner);

/* The number after /data/<ticket>/; -1: not such a path. */
static int connection_number(const struct download *download, const char *path)
{
    const struct exchange_order *order = exchange_order_of(download->exchange);
    char start[16 + ID_SIZE];
    int number = 0;

    const size_t start_bytes =
        (size_t) snprintf(start, sizeof(start), "/data/%s/", order->ticket);
    if (strncmp(path, start, start_bytes) != 0 || !order->ticket[0])
        return -1;
    const char *digits = path + start_bytes;
    const size_t digit_count = strspn(digits, "0123456789");
    if (digit_count < 1 || digit_count > 2 || digits[digit_count])
        return -1;
    for (; *digits; digits++)
        number = 10 * number + (*digits - '0');
    return number < (int) download->connection_count ? number : -1;
}

static void note_opening(struct data_connection *connection,
                         struct http_request *request)
{
    const struct exchange_order *order =
        exchange_order_of(connection->download->exchange);
    const int socket = fcntl(http_socket(request), F_DUPFD_CLOEXEC, 0);

    connection->request = request;
    connection->row.opened_ns = http_accepted_ns(request);
    connection->row.connected_ns = connection->row.opened_ns;
    connection->row.request_ns = http_head_ns(request);
    download_opened(connection, socket);
    download_note_ports(connection);
    /* What an unprivileged agent may not do here its routes have been checked
     * for when it was armed. */
    if (socket >= 0)
        (void) netinfo_tie(socket, order->interface);
}

void download_answer(struct data_connection *connection)
{
    const struct download *download = connection->download;
    const bool is_text = download->spec.payload == PAYLOAD_TEXT;
    const struct http_field fields[] = {
        { "Content-Type", is_text ? "text/plain" : "application/octet-stream" },
    };
    const uint64_t size_bytes = connection->share_bytes == UINT64_MAX
                                    ? HTTP_LENGTH_UNKNOWN
                                    : connection->share_bytes;

    download_prepare_feed(connection);
    connection->is_fed = size_bytes == 0;
    http_reply_stream(connection->request, 200, fields, COUNT_OF(fields),
                      size_bytes, download_feed_block_bytes(download),
                      download_feed, connection);
}

void download_take_request(struct exchange *exchange, void *state,
                           struct http_request *request)
{
    struct download *download = state;
    const int number = connection_number(download, http_path(request));
    const char *method = download->is_sender ? "GET" : "PUT";

    (void) exchange;
    if (download->is_opener || number < 0) {
        exchange_refuse(request, 404, "ticket", "no such data connection here");
        return;
    }
    if (strcmp(http_method(request), method) != 0) {
        exchange_refuse(request, 405, "method",
                        download->is_sender ? "found another method, expected "
                                              "GET"
                                            : "found another method, expected "
                                              "PUT");
        return;
    }
    struct data_connection *connection = &download->connections[number];
    if (connection->state != DATA_UNOPENED || download->is_closing) {
        exchange_refuse(request, 409, "ticket",
                        "this data connection is spent");
        return;
    }
    note_opening(connection, request);
    if (!download->is_sender)
        http_take_upload(request, on_piece, on_upload_end, connection);
    else if (download->is_begun)
        download_answer(connection);
}

static void on_piece(void *owner, const void *piece, size_t piece_bytes)
{
    download_note_content(owner, piece, piece_bytes);
}

static void on_upload_end(void *owner)
{
    struct data_connection *connection = owner;

    connection->is_received = true;
    download_server_leaves(connection);
    http_reply(connection->request, 200, NULL, 0, NULL, 0);
}

void download_server_leaves(struct data_connection *connection)
{
    const int socket = connection->socket;

    download_leaves_socket(connection);
    if (socket >= 0)
        (void) close(socket);
}

static void tell_broken(struct data_connection *connection)
{
    exchange_trouble(connection->download->exchange,
                     "connection %llu broke off after %llu bytes",
                     (unsigned long long) connection->number,
                     (unsigned long long) connection->row.content_bytes);
    download_server_leaves(connection);
    download_connection_ended(connection, DATA_BROKEN);
}

void download_request_gone(struct exchange *exchange, void *state,
                           struct http_request *request)
{
    struct download *download = state;

    (void) exchange;
    for (size_t i = 0; i < download->connection_count; i++) {
        struct data_connection *connection = &download->connections[i];

        if (connection->request != request)
            continue;
        connection->request = NULL;
        connection->is_waiting = false;
        if (download->is_closing)
            return;
        if (connection->is_received) {
            download_connection_ended(
                connection,
                download_is_complete(connection) ? DATA_DONE : DATA_BROKEN);
        } else if (connection->is_fed && connection->socket >= 0) {
            connection->state = DATA_DRAINING;
            download_start_checks(download);
        } else if (download_until_was_ended(connection)) {
            connection->fed_until_ns = clock_now_ns();
            download_server_leaves(connection);
            download_connection_ended(connection, DATA_DONE);
        } else {
            tell_broken(connection);
        }
        return;
    }
}
