/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/download_parts.h"
#include "agent/http.h"
#include "agent/netinfo.h"
#include "agent/sockets.h"

#include <ctype.h>
#include <errno.h>
#include <unistd.h>

/*
 * The end that connects: one libcurl transfer a connection, each on a fresh
 * connection of its own.  We make the sockets ourselves, to bind and tie them.
 */

#define DATA_URL_SIZE 256
/* libcurl's largest and its own choice: many bytes a call make it fast, few
 * keep the arrivals apart on a slow link. */
#define FAST_BUFFER_BYTES 524288L
#define SLOW_BUFFER_BYTES 16384L
#define FAST_BPS          20e6
/* The latest stop ends what hangs, not a time-out of libcurl's. */
#define CONNECT_WAIT_MS 86400000L

static curl_socket_t open_socket(void *owner, curlsocktype purpose,
                                 struct curl_sockaddr *address);
static int note_request(void *owner, char *peer_address, char *own_address,
                        int peer_port, int own_port);
static size_t take_content(char *content, size_t unit_bytes, size_t unit_count,
                           void *owner);
static size_t give_content(char *room, size_t unit_bytes, size_t unit_count,
                           void *owner);
static int close_socket(void *owner, curl_socket_t socket);
static void on_transfer_done(void *owner, CURL *easy, CURLcode code);

/* --- connecting ---------------------------------------------------------- */

/* A zone's '%' is written %25 in a URL (RFC 6874). */
static void write_url(const struct data_connection *connection,
                      char url[DATA_URL_SIZE])
{
    const struct exchange_order *order =
        exchange_order_of(connection->download->exchange);
    const bool is_v6 = strchr(order->peer_address, ':') != NULL;
    const char *zone = strchr(order->peer_address, '%');
    const int host_bytes = zone ? (int) (zone - order->peer_address)
                                : (int) strlen(order->peer_address);

    (void) snprintf(url, DATA_URL_SIZE, "http://%s%.*s%s%s%s:%u/data/%s/%llu",
                    is_v6 ? "[" : "", host_bytes, order->peer_address,
                    zone ? "%25" : "", zone ? zone + 1 : "", is_v6 ? "]" : "",
                    (unsigned) order->peer_port, order->ticket,
                    (unsigned long long) connection->number);
}

static void set_direction(struct data_connection *connection)
{
    const bool is_known = connection->share_bytes != UINT64_MAX;
    CURL *easy = connection->easy;

    if (!connection->download->is_sender)
        return;
    download_prepare_feed(connection);
    connection->is_fed = connection->share_bytes == 0;
    (void) curl_easy_setopt(easy, CURLOPT_UPLOAD, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_READFUNCTION, give_content);
    (void) curl_easy_setopt(easy, CURLOPT_READDATA, connection);
    (void) curl_easy_setopt(easy, CURLOPT_INFILESIZE_LARGE,
                            is_known ? (curl_off_t) connection->share_bytes
                                     : (curl_off_t) -1);
}

static int set_place(struct data_connection *connection)
{
    char url[DATA_URL_SIZE];

    if (connection->download->spec.url[0])
        return download_aim_at_url(connection);
    write_url(connection, url);
    (void) curl_easy_setopt(connection->easy, CURLOPT_URL, url);
    return 0;
}

static void set_options(struct data_connection *connection)
{
    const struct download *download = connection->download;
    const double bps = exchange_order_of(download->exchange)->expected_bps;
    const long buffer_bytes =
        bps > 0 && bps < FAST_BPS ? SLOW_BUFFER_BYTES : FAST_BUFFER_BYTES;
    CURL *easy = connection->easy;

    (void) curl_easy_setopt(easy, CURLOPT_PRIVATE, connection);
    (void) curl_easy_setopt(easy, CURLOPT_ERRORBUFFER, connection->error);
    (void) curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_PROXY, "");
    (void) curl_easy_setopt(easy, CURLOPT_PROTOCOLS_STR, "http");
    (void) curl_easy_setopt(easy, CURLOPT_HTTP_VERSION,
                            (long) CURL_HTTP_VERSION_1_1);
    (void) curl_easy_setopt(easy, CURLOPT_FRESH_CONNECT, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_FORBID_REUSE, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, CONNECT_WAIT_MS);
    (void) curl_easy_setopt(easy, CURLOPT_HTTPHEADER, download->heads);
    (void) curl_easy_setopt(easy, CURLOPT_BUFFERSIZE, buffer_bytes);
    (void) curl_easy_setopt(easy, CURLOPT_UPLOAD_BUFFERSIZE, buffer_bytes);
    (void) curl_easy_setopt(easy, CURLOPT_OPENSOCKETFUNCTION, open_socket);
    (void) curl_easy_setopt(easy, CURLOPT_OPENSOCKETDATA, connection);
    (void) curl_easy_setopt(easy, CURLOPT_CLOSESOCKETFUNCTION, close_socket);
    (void) curl_easy_setopt(easy, CURLOPT_CLOSESOCKETDATA, connection);
    (void) curl_easy_setopt(easy, CURLOPT_PREREQFUNCTION, note_request);
    (void) curl_easy_setopt(easy, CURLOPT_PREREQDATA, connection);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, take_content);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEDATA, connection);
    set_direction(connection);
}

/* Nothing that libcurl adds of itself and the other end does not need; waiting
 * for "100 Continue" would cost a round trip. */
static int make_heads(struct download *download)
{
    static const char *const lines[] = { "Accept:", "Expect:" };

    for (size_t i = 0; i < COUNT_OF(lines); i++) {
        struct curl_slist *longer =
            curl_slist_append(download->heads, lines[i]);

        if (!longer)
            return UV_ENOMEM;
        download->heads = longer;
    }
    return 0;
}

int download_open_all(struct download *download)
{
    int status = make_heads(download);

    if (status == 0)
        status = curl_loop_open(&download->curl,
                                exchange_site_of(download->exchange)->loop,
                                on_transfer_done, download);
    if (status != 0)
        return status;
    for (size_t i = 0; i < download->connection_count; i++) {
        struct data_connection *connection = &download->connections[i];

        connection->easy = curl_easy_init();
        if (!connection->easy)
            return UV_ENOMEM;
        connection->state = DATA_OPEN;
        status = set_place(connection);
        if (status != 0)
            return status;
        set_options(connection);
        (void) curl_multi_add_handle(download->curl.multi, connection->easy);
    }
    return 0;
}

static int bind_socket(const struct exchange *exchange, int socket)
{
    const struct sockaddr *own = exchange_own(exchange);
    const int status =
        netinfo_tie(socket, exchange_order_of(exchange)->interface);

    if (status != 0)
        return status;
    if (own && bind(socket, own, sockets_length(own)) != 0)
        return -errno;
    return 0;
}

static curl_socket_t open_socket(void *owner, curlsocktype purpose,
                                 struct curl_sockaddr *address)
{
    struct data_connection *connection = owner;
    struct exchange *exchange = connection->download->exchange;

    (void) purpose;
    connection->row.opened_ns = clock_now_ns();
    const int fd = socket(address->family, address->socktype | SOCK_CLOEXEC,
                          address->protocol);
    if (fd < 0)
        return CURL_SOCKET_BAD;
    const int status = bind_socket(exchange, fd);
    if (status != 0) {
        exchange_trouble(
            exchange, "cannot bind the connection to %s%s%s: %s",
            exchange_order_of(exchange)->own_address,
            exchange_order_of(exchange)->interface[0] ? " at " : "",
            exchange_order_of(exchange)->interface, uv_strerror(status));
        (void) close(fd);
        return CURL_SOCKET_BAD;
    }
    download_opened(connection, fd);
    return fd;
}

/* libcurl sends the request in the same step in which it sees the handshake
 * done.  The type is libcurl's.
 * NOLINTNEXTLINE(readability-non-const-parameter) */
static int note_request(void *owner, char *peer_address, char *own_address,
                        int peer_port, int own_port)
{
    struct data_connection *connection = owner;

    (void) peer_address;
    (void) own_address;
    connection->row.request_ns = clock_now_ns();
    connection->row.connected_ns = connection->row.request_ns;
    connection->row.peer_port = (uint64_t) peer_port;
    connection->row.local_port = (uint64_t) own_port;
    return CURL_PREREQFUNC_OK;
}

/* --- content ------------------------------------------------------------- */

static long status_of(CURL *easy)
{
    long status = 0;

    (void) curl_easy_getinfo(easy, CURLINFO_RESPONSE_CODE, &status);
    return status;
}

/* An answer's words, so far as they are fit to be shown. */
static void note_refusal(struct data_connection *connection, const char *text,
                         size_t text_bytes)
{
    const size_t room_bytes = sizeof(connection->refusal) - 1;

    for (size_t i = 0; i < text_bytes && connection->refusal_bytes < room_bytes;
         i++) {
        const unsigned char letter = (unsigned char) text[i];

        connection->refusal[connection->refusal_bytes++] =
            isprint(letter) ? (char) letter : ' ';
    }
}

static size_t take_content(char *content, size_t unit_bytes, size_t unit_count,
                           void *owner)
{
    struct data_connection *connection = owner;
    const size_t content_bytes = unit_bytes * unit_count;

    if (!connection->download->is_sender
        && (connection->row.first_byte_ns
            || status_of(connection->easy) == 200))
        download_note_content(connection, content, content_bytes);
    else
        note_refusal(connection, content, content_bytes);
    return content_bytes;
}

static size_t give_content(char *room, size_t unit_bytes, size_t unit_count,
                           void *owner)
{
    const ssize_t fed_bytes =
        download_feed(owner, room, unit_bytes * unit_count);

    if (fed_bytes == HTTP_FEED_END)
        return 0;
    return fed_bytes ? (size_t) fed_bytes : CURL_READFUNC_PAUSE;
}

void download_resume_transfer(const struct data_connection *connection)
{
    (void) curl_easy_pause(connection->easy, CURLPAUSE_CONT);
}

/* --- ending -------------------------------------------------------------- */

static int close_socket(void *owner, curl_socket_t socket)
{
    struct data_connection *connection = owner;

    if (connection->socket == socket)
        download_leaves_socket(connection);
    return close(socket);
}

void download_drop_transfer(struct data_connection *connection)
{
    CURL *easy = connection->easy;

    connection->easy = NULL;
    connection->is_waiting = false;
    (void) curl_multi_remove_handle(connection->download->curl.multi, easy);
    curl_easy_cleanup(easy);
}

/* What the system said of the socket, or else libcurl's own words. */
static const char *cause_of(const struct data_connection *connection,
                            CURLcode code)
{
    long error = 0;

    (void) curl_easy_getinfo(connection->easy, CURLINFO_OS_ERRNO, &error);
    if (error > 0)
        return uv_strerror(-(int) error);
    return connection->error[0] ? connection->error : curl_easy_strerror(code);
}

static void tell_failure(struct data_connection *connection, CURLcode code,
                         long status)
{
    struct exchange *exchange = connection->download->exchange;
    const struct exchange_order *order = exchange_order_of(exchange);
    struct url url = { .port = (uint16_t) order->peer_port };

    if (connection->download->spec.url[0])
        (void) url_split(connection->download->spec.url, &url);
    if (!connection->row.connected_ns)
        exchange_trouble(exchange, "cannot connect to %s port %u: %s",
                         order->peer_address, (unsigned) url.port,
                         cause_of(connection, code));
    else if (status >= 300 && status < 400)
        exchange_trouble(exchange,
                         "connection %llu: the server answered %ld and points "
                         "elsewhere: a download stays where the plan says",
                         (unsigned long long) connection->number, status);
    else if (status && status != 200)
        exchange_trouble(exchange,
                         "connection %llu: the other end answered %ld: %s",
                         (unsigned long long) connection->number, status,
                         connection->refusal);
    else
        exchange_trouble(exchange,
                         "connection %llu broke off after %llu bytes: %s",
                         (unsigned long long) connection->number,
                         (unsigned long long) connection->row.content_bytes,
                         code == CURLE_OK ? "answered before all was sent"
                                          : cause_of(connection, code));
}

static void on_transfer_done(void *owner, CURL *easy, CURLcode code)
{
    const struct download *download = owner;
    struct data_connection *connection = NULL;
    char *kept = NULL;

    (void) curl_easy_getinfo(easy, CURLINFO_PRIVATE, &kept);
    connection = (struct data_connection *) (void *) kept;
    const long status = status_of(easy);
    const bool is_whole = code == CURLE_OK && status == 200
                          && (!download->is_sender || connection->is_fed);
    const bool is_through = is_whole || download_until_was_ended(connection);

    if (!is_whole && is_through)
        connection->fed_until_ns = clock_now_ns();
    if (!is_through)
        tell_failure(connection, code, status);
    download_drop_transfer(connection);
    download_connection_ended(connection,
                              is_through && download_is_complete(connection)
                                  ? DATA_DONE
                                  : DATA_BROKEN);
}
