/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/http_mhd.h"

#include "agent/log.h"
#include "agent/memory.h"
#include "agent/sockets.h"

#include <assert.h>
#include <errno.h>
#include <netinet/in.h>
#include <unistd.h>

/*
 * libmicrohttpd, driven from the libuv loop.  It has no thread and no listening
 * socket of its own: we accept, it gets the connection, and its epoll
 * descriptor is one handle of our loop.  After everything that may give it work
 * to do, http_mhd_run_soon() asks how long it can wait.
 *
 * There is no idle time-out: a connection that an exchange leaves silent must
 * stay silent, and a time-out would put packets on the link in the middle of a
 * measurement.  Instead the number of connections is limited, and the one that
 * has been idle longest gives way to a new one.
 */
#define CONNECTIONS_MAX 128
/* Room for heads and for one block of a chunked body. */
#define CONNECTION_MEMORY_BYTES ((size_t) 128 * 1024)
#define CONNECTION_MEMORY_STEP  ((size_t) 8 * 1024)
#define ACCEPT_PAUSE_MS         1000

/* The flow, top to bottom. */
static void on_connectable(uv_poll_t *poll, int status, int events);
static void on_accept_again(uv_timer_t *timer);
static void on_connection(void *context, struct MHD_Connection *mhd,
                          void **connection_place,
                          enum MHD_ConnectionNotificationCode code);
static void on_epoll(uv_poll_t *poll, int status, int events);
static void on_run_timer(uv_timer_t *timer);
static void on_handle_closed(uv_handle_t *handle);

/* --- opening ------------------------------------------------------------- */

__attribute__((format(printf, 2, 0))) static void
log_mhd(void *server, const char *format, va_list arguments)
{
    char text[256];

    (void) server;
    (void) vsnprintf(text, sizeof(text), format, arguments);
    text[strcspn(text, "\n")] = '\0';
    log_debug("http: %s", text);
}

static int start_daemon(struct http_server *server, struct fault *fault)
{
    /* Each caller answers with the fields it names: no Date among them. */
    const unsigned flags = MHD_USE_EPOLL | MHD_USE_NO_LISTEN_SOCKET
                           | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG
                           | MHD_USE_SUPPRESS_DATE_NO_CLOCK | MHD_ALLOW_UPGRADE;

    server->daemon = MHD_start_daemon(
        flags, 0, NULL, NULL, http_mhd_on_step, server,
        MHD_OPTION_EXTERNAL_LOGGER, log_mhd, server,
        MHD_OPTION_URI_LOG_CALLBACK, http_mhd_on_target, server,
        MHD_OPTION_NOTIFY_COMPLETED, http_mhd_on_completed, server,
        MHD_OPTION_NOTIFY_CONNECTION, on_connection, server,
        MHD_OPTION_CONNECTION_LIMIT, (unsigned) CONNECTIONS_MAX + 8,
        MHD_OPTION_CONNECTION_TIMEOUT, 0U, MHD_OPTION_CONNECTION_MEMORY_LIMIT,
        CONNECTION_MEMORY_BYTES, MHD_OPTION_CONNECTION_MEMORY_INCREMENT,
        CONNECTION_MEMORY_STEP, MHD_OPTION_END);
    if (!server->daemon)
        return fault_set(fault, UV_ENOMEM, "cannot start the HTTP server");
    return 0;
}

/* All listeners share one port: the first takes a free one when it is 0. */
static int open_listeners(struct http_server *server,
                          const char *const *addresses, size_t address_count,
                          uint16_t port, struct fault *fault)
{
    if (address_count == 0 || address_count > LISTENERS_MAX)
        return fault_set(fault, UV_EINVAL,
                         "found %zu addresses to listen on, expected 1 to %d",
                         address_count, LISTENERS_MAX);
    for (size_t i = 0; i < address_count; i++) {
        int fd = -1;
        const int result = sockets_listen_tcp(addresses[i], port, &fd, fault);
        if (result < 0)
            return result;
        server->listeners[server->listener_count++].fd = fd;
        port = sockets_port(fd);
    }
    server->port = port;
    return 0;
}

static void close_unwatched(struct http_server *server)
{
    for (size_t i = 0; i < server->listener_count; i++)
        (void) close(server->listeners[i].fd);
    if (server->daemon)
        MHD_stop_daemon(server->daemon);
    free(server);
}

/* Handles on descriptors that are open and not watched yet: these calls fail
 * only by our own mistake. */
static void watch(struct http_server *server)
{
    const int epoll_fd =
        MHD_get_daemon_info(server->daemon, MHD_DAEMON_INFO_EPOLL_FD)->epoll_fd;
    int failed = uv_poll_init(server->loop, &server->epoll_poll, epoll_fd);

    server->epoll_poll.data = server;
    failed |= uv_poll_start(&server->epoll_poll, UV_READABLE, on_epoll);
    failed |= uv_timer_init(server->loop, &server->run_timer);
    server->run_timer.data = server;
    failed |= uv_timer_init(server->loop, &server->accept_timer);
    server->accept_timer.data = server;
    server->open_handles = 3;
    for (size_t i = 0; i < server->listener_count; i++) {
        struct listener *listener = &server->listeners[i];

        listener->server = server;
        failed |= uv_poll_init(server->loop, &listener->poll, listener->fd);
        listener->poll.data = listener;
        failed |= uv_poll_start(&listener->poll, UV_READABLE, on_connectable);
        server->open_handles++;
    }
    assert(!failed);
    (void) failed;
}

int http_open(uv_loop_t *loop, const char *const *addresses,
              size_t address_count, uint16_t port,
              const struct http_owner *handler, void *owner,
              struct http_server **ret_server, struct fault *fault)
{
    struct http_server *server = mem_new(struct http_server);
    int result = 0;

    server->loop = loop;
    server->handler = handler;
    server->owner = owner;
    result = open_listeners(server, addresses, address_count, port, fault);
    if (result == 0)
        result = start_daemon(server, fault);
    if (result < 0) {
        close_unwatched(server);
        return result;
    }
    watch(server);
    *ret_server = server;
    return 0;
}

uint16_t http_port(const struct http_server *server)
{
    return server->port;
}

/* --- accepting ----------------------------------------------------------- */

static void drop_connection(struct connection *connection)
{
    struct connection **link = &connection->server->connections;

    while (*link != connection)
        link = &(*link)->next;
    *link = connection->next;
    connection->server->connection_count--;
    free(connection);
}

/* A record of that descriptor is out of date: libmicrohttpd refused it. */
static void drop_stale(struct http_server *server, int fd)
{
    struct connection *connection = server->connections;

    while (connection && connection->fd != fd)
        connection = connection->next;
    if (connection)
        drop_connection(connection);
}

/* At the limit the connection that has been idle longest is cut; libmicrohttpd
 * sees that at its next turn. */
static void make_room(struct http_server *server)
{
    const struct connection *oldest = NULL;

    if (server->connection_count < CONNECTIONS_MAX)
        return;
    for (const struct connection *other = server->connections; other;
         other = other->next) {
        if (!other->is_busy && other->is_known_to_mhd
            && (!oldest || other->idle_since_ns < oldest->idle_since_ns))
            oldest = other;
    }
    if (oldest)
        (void) shutdown(oldest->fd, SHUT_RDWR);
}

static void take_connection(struct http_server *server, int fd,
                            const struct sockaddr_storage *peer)
{
    struct connection *connection = mem_new(struct connection);

    drop_stale(server, fd);
    connection->server = server;
    connection->fd = fd;
    connection->accepted_ns = connection->idle_since_ns = uv_hrtime();
    connection->peer = *peer;
    make_room(server);
    connection->next = server->connections;
    server->connections = connection;
    server->connection_count++;

    const struct sockaddr *address = (const struct sockaddr *) peer;
    if (MHD_add_connection(server->daemon, fd, address, sockets_length(address))
        != MHD_YES) {
        log_warning("http: connection refused: too many at once");
        drop_stale(server, fd);
    }
}

/* Out of descriptors: the waiting connections keep the listener readable, so
 * look away for a while instead of spinning. */
static void pause_accepting(struct http_server *server)
{
    log_warning("http: cannot accept a connection: %s", strerror(errno));
    for (size_t i = 0; i < server->listener_count; i++)
        (void) uv_poll_stop(&server->listeners[i].poll);
    (void) uv_timer_start(&server->accept_timer, on_accept_again,
                          ACCEPT_PAUSE_MS, 0);
}

static void on_accept_again(uv_timer_t *timer)
{
    struct http_server *server = timer->data;

    for (size_t i = 0; i < server->listener_count; i++)
        (void) uv_poll_start(&server->listeners[i].poll, UV_READABLE,
                             on_connectable);
}

static void on_connectable(uv_poll_t *poll, int status, int events)
{
    const struct listener *listener = poll->data;
    struct sockaddr_storage peer = { 0 };
    socklen_t length = sizeof(peer);

    (void) events;
    if (status < 0)
        return;
    const int fd = accept4(listener->fd, (struct sockaddr *) &peer, &length,
                           SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (fd >= 0) {
        take_connection(listener->server, fd, &peer);
        http_mhd_run_soon(listener->server, true);
    } else if (errno == EMFILE || errno == ENFILE || errno == ENOMEM
               || errno == ENOBUFS) {
        pause_accepting(listener->server);
    }
}

struct connection *http_mhd_connection(const struct http_server *server,
                                       struct MHD_Connection *mhd)
{
    const int fd =
        MHD_get_connection_info(mhd, MHD_CONNECTION_INFO_CONNECTION_FD)
            ->connect_fd;
    struct connection *connection = server->connections;

    while (connection && connection->fd != fd)
        connection = connection->next;
    return connection;
}

static void on_connection(void *context, struct MHD_Connection *mhd,
                          void **connection_place,
                          enum MHD_ConnectionNotificationCode code)
{
    const struct http_server *server = context;

    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        struct connection *connection = http_mhd_connection(server, mhd);

        if (connection)
            connection->is_known_to_mhd = true;
        *connection_place = connection;
    } else if (*connection_place) {
        drop_connection(*connection_place);
        *connection_place = NULL;
    }
}

/* --- running ------------------------------------------------------------- */

void http_mhd_run_soon(struct http_server *server, bool at_once)
{
    MHD_UNSIGNED_LONG_LONG wait_ms = 0;

    if (server->is_closing || server->is_running_mhd)
        return;
    if (at_once || MHD_get_timeout(server->daemon, &wait_ms) == MHD_YES)
        (void) uv_timer_start(&server->run_timer, on_run_timer,
                              at_once ? 0 : wait_ms, 0);
    else
        (void) uv_timer_stop(&server->run_timer);
}

static void run_mhd(struct http_server *server)
{
    server->is_running_mhd = true;
    (void) MHD_run(server->daemon);
    server->is_running_mhd = false;
    http_mhd_run_soon(server, false);
}

static void on_epoll(uv_poll_t *poll, int status, int events)
{
    (void) events;
    if (status == 0)
        run_mhd(poll->data);
}

static void on_run_timer(uv_timer_t *timer)
{
    run_mhd(timer->data);
}

/* --- closing ------------------------------------------------------------- */

void http_close(struct http_server *server, void (*on_closed)(void *owner))
{
    server->on_closed = on_closed;
    server->is_closing = true;
    /* libmicrohttpd may not be stopped while a connection is suspended. */
    http_mhd_abort_all(server);
    uv_close((uv_handle_t *) &server->epoll_poll, on_handle_closed);
    uv_close((uv_handle_t *) &server->run_timer, on_handle_closed);
    uv_close((uv_handle_t *) &server->accept_timer, on_handle_closed);
    for (size_t i = 0; i < server->listener_count; i++) {
        server->listeners[i].poll.data = server;
        uv_close((uv_handle_t *) &server->listeners[i].poll, on_handle_closed);
    }
}

static void free_connections(struct connection *connection)
{
    while (connection) {
        struct connection *next = connection->next;

        free(connection);
        connection = next;
    }
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct http_server *server = handle->data;

    if (--server->open_handles > 0)
        return;
    MHD_stop_daemon(server->daemon); /* on_gone for what was under way */
    free_connections(server->connections);
    for (size_t i = 0; i < server->listener_count; i++)
        (void) close(server->listeners[i].fd);
    void (*on_closed)(void *) = server->on_closed;
    void *owner = server->owner;
    free(server);
    if (on_closed)
        on_closed(owner);
}
