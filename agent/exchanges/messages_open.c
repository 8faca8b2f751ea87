/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/messages_parts.h"
#include "agent/http.h"
#include "agent/netinfo.h"
#include "agent/sockets.h"

#include <ctype.h>
#include <errno.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

/*
 * The connection begins as an HTTP upgrade (RFC 9110, section 7.8) on the
 * agent's own port, so that a firewall needs one opening only:
 *
 *   GET /data/TICKET/0 HTTP/1.1          HTTP/1.1 101 Switching Protocols
 *   Host: ADDRESS:PORT                   Connection: Upgrade
 *   Connection: Upgrade                  Upgrade: bothends-messages
 *   Upgrade: bothends-messages
 */

static void on_connected(uv_connect_t *connecting, int status);
static void on_switched(void *owner, int socket, const void *early,
                        size_t early_bytes);

/* --- the connection ------------------------------------------------------ */

/* The handle takes the socket; on failure it is closed here. */
static int take_socket(struct messages *messages, int socket)
{
    int status =
        uv_tcp_init(exchange_site_of(messages->exchange)->loop, &messages->tcp);

    if (status != 0) {
        (void) close(socket);
        return status;
    }
    messages->tcp.data = messages;
    messages->has_tcp = true;
    messages->open_handles++;
    status = uv_tcp_open(&messages->tcp, socket);
    if (status != 0)
        (void) close(socket);
    return status != 0 ? status : uv_tcp_nodelay(&messages->tcp, 1);
}

static int start_reading(struct messages *messages)
{
    return uv_read_start((uv_stream_t *) &messages->tcp, messages_on_room,
                         messages_on_read);
}

/* --- the end that opens -------------------------------------------------- */

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

static int make_socket(const struct messages *messages, int *ret_socket)
{
    const struct exchange *exchange = messages->exchange;
    const int fd = socket(exchange_peer(exchange)->sa_family,
                          SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

    if (fd < 0)
        return -errno;
    const int status = bind_socket(exchange, fd);
    if (status != 0) {
        (void) close(fd);
        return status;
    }
    *ret_socket = fd;
    return 0;
}

void messages_connect(struct messages *messages)
{
    const struct exchange_order *order = exchange_order_of(messages->exchange);
    int fd = -1;
    int status = make_socket(messages, &fd);

    if (status != 0) {
        messages_fail(messages, "cannot bind the connection to %s%s%s: %s",
                      order->own_address, order->interface[0] ? " at " : "",
                      order->interface, uv_strerror(status));
        return;
    }
    messages->state = MESSAGES_CONNECTING;
    status = take_socket(messages, fd);
    if (status == 0)
        status =
            uv_tcp_connect(&messages->connecting, &messages->tcp,
                           exchange_peer(messages->exchange), on_connected);
    if (status != 0)
        messages_fail(messages, "cannot connect: %s", uv_strerror(status));
}

static void on_connected(uv_connect_t *connecting, int status)
{
    struct messages *messages = connecting->handle->data;
    const struct exchange_order *order = exchange_order_of(messages->exchange);
    char host[SOCKETS_TEXT_SIZE], head[512];

    if (messages->state != MESSAGES_CONNECTING)
        return;
    if (status == 0)
        status = start_reading(messages);
    if (status != 0) {
        messages_fail(messages, "cannot connect to %s port %u: %s",
                      order->peer_address, (unsigned) order->peer_port,
                      uv_strerror(status));
        return;
    }
    messages->state = MESSAGES_ASKING;
    const int head_bytes = snprintf(
        head, sizeof(head),
        "GET /data/%s/0 HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\n"
        "Upgrade: " MESSAGES_PROTOCOL "\r\n\r\n",
        order->ticket, sockets_print(exchange_peer(messages->exchange), host));
    messages_write(messages, head, (size_t) head_bytes);
}

/* "HTTP/1.1 409 Conflict", as far as it is fit to be shown. */
static void refuse_answer(struct messages *messages)
{
    char line[80] = "";

    for (size_t i = 0;
         i < sizeof(line) - 1 && messages->head[i] != '\r' && messages->head[i];
         i++)
        line[i] = isprint((unsigned char) messages->head[i]) ? messages->head[i]
                                                             : '?';
    messages_fail(
        messages,
        "the other end answered '%s', expected a switch to " MESSAGES_PROTOCOL,
        line);
}

static bool is_switch(const char *head)
{
    static const char status_line[] = "HTTP/1.1 101 ";

    return strncmp(head, status_line, sizeof(status_line) - 1) == 0
           && strcasestr(head, "\r\nUpgrade: " MESSAGES_PROTOCOL "\r\n");
}

void messages_take_head(struct messages *messages, const char *piece,
                        size_t piece_bytes)
{
    const size_t room_bytes = MESSAGES_HEAD_MOST - messages->head_bytes;
    const size_t taken_bytes =
        piece_bytes < room_bytes ? piece_bytes : room_bytes;
    const size_t before_bytes = messages->head_bytes;

    memcpy(messages->head + before_bytes, piece, taken_bytes);
    messages->head_bytes += taken_bytes;
    messages->head[messages->head_bytes] = '\0';
    const char *end = strstr(messages->head, "\r\n\r\n");

    if (!end) {
        if (messages->head_bytes == MESSAGES_HEAD_MOST
            || strlen(messages->head) != messages->head_bytes)
            refuse_answer(messages);
        return;
    }
    const size_t head_bytes = (size_t) (end - messages->head) + 4;
    if (!is_switch(messages->head)) {
        refuse_answer(messages);
        return;
    }
    const size_t used_bytes = head_bytes - before_bytes;
    messages_opened(messages, piece + used_bytes, piece_bytes - used_bytes);
}

/* --- the end that is connected to ---------------------------------------- */

static bool is_own_path(const struct exchange *exchange, const char *path)
{
    const struct exchange_order *order = exchange_order_of(exchange);
    char expected[16 + ID_SIZE];

    (void) snprintf(expected, sizeof(expected), "/data/%s/0", order->ticket);
    return order->ticket[0] && strcmp(path, expected) == 0;
}

void messages_answer(struct messages *messages)
{
    static const struct http_field fields[] = {
        { "Upgrade", MESSAGES_PROTOCOL },
    };

    messages->state = MESSAGES_SWITCHING;
    http_upgrade(messages->request, fields, COUNT_OF(fields), on_switched,
                 messages);
}

void messages_take_request(struct exchange *exchange, void *state,
                           struct http_request *request)
{
    struct messages *messages = state;
    const char *protocol = http_header(request, "Upgrade");

    if (messages->is_opener || !is_own_path(exchange, http_path(request))) {
        exchange_refuse(request, 404, "ticket", "no such data connection here");
    } else if (strcmp(http_method(request), "GET") != 0 || !protocol
               || strcasecmp(protocol, MESSAGES_PROTOCOL) != 0) {
        exchange_refuse(request, 426, "upgrade",
                        "found another request, expected GET with an upgrade "
                        "to " MESSAGES_PROTOCOL);
    } else if (messages->state != MESSAGES_UNOPENED || messages->request) {
        exchange_refuse(request, 409, "ticket",
                        "this data connection is spent");
    } else {
        messages->request = request;
        if (exchange_state(exchange) == ACCOUNT_RUNNING)
            messages_answer(messages);
    }
}

static void on_switched(void *owner, int socket, const void *early,
                        size_t early_bytes)
{
    struct messages *messages = owner;

    messages->is_switched = true;
    messages->open_handles++; /* until the request is gone */
    int status = take_socket(messages, socket);
    if (status == 0)
        status = netinfo_tie(socket,
                             exchange_order_of(messages->exchange)->interface);
    if (status == UV_EPERM) /* the routes were checked when it was armed */
        status = 0;
    if (status == 0)
        status = start_reading(messages);
    if (status != 0)
        messages_fail(messages, "cannot use the connection: %s",
                      uv_strerror(status));
    else
        messages_opened(messages, early, early_bytes);
}
