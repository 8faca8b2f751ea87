/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/http.h"

#include "agent/log.h"
#include "agent/memory.h"
#include "agent/sockets.h"

#include <assert.h>
#include <errno.h>
#include <microhttpd.h>
#include <netinet/in.h>
#include <strings.h>
#include <unistd.h>

/*
 * libmicrohttpd, driven from the libuv loop.  It has no thread and no listening
 * socket of its own: we accept, it gets the connection, and its epoll
 * descriptor is one handle of our loop.  After everything that may give it work
 * to do, arm_run_timer() asks how long it can wait.
 *
 * There is no idle time-out: a connection that an exchange leaves silent must
 * stay silent, and a time-out would put packets on the link in the middle of a
 * measurement.  Instead the number of connections is limited, and the one that
 * has been idle longest gives way to a new one.
 */
#define CONNECTIONS_MAX 128
#define LISTENERS_MAX   16
/* Room for heads and for one block of a chunked body. */
#define CONNECTION_MEMORY_BYTES ((size_t) 128 * 1024)
#define CONNECTION_MEMORY_STEP  ((size_t) 8 * 1024)
/* An answer that is known before the body has come lets this much of it pass
 * unread, so that the connection (and the answer) is not lost. */
#define UNREAD_BODY_MAX_BYTES ((uint64_t) 64 * 1024)
#define ACCEPT_PAUSE_MS       1000

struct connection {
    struct connection *next;
    struct http_server *server;
    int fd;
    bool is_known_to_mhd;
    bool is_busy; /* a request is under way */
    uint64_t accepted_ns, idle_since_ns;
    struct sockaddr_storage peer;
};

struct listener {
    uv_poll_t poll;
    int fd;
    struct http_server *server;
};

enum body_use {
    BODY_UNREAD,
    BODY_COLLECTED,
    BODY_IN_PIECES
};

/* A piece of text that lives as long as its request. */
struct kept_text {
    struct kept_text *next;
    char text[];
};

struct http_request {
    struct http_request *next, *previous;
    struct http_server *server;
    struct MHD_Connection *mhd;
    const struct connection *connection; /* borrowed */
    char *path;                          /* raw; ends where the query begins */
    const char *query;
    char method[16];
    struct kept_text *kept;
    uint64_t head_ns;
    void *data;
    bool head_is_in, is_in_handler, is_suspended, is_aborted;

    enum body_use body_use;
    bool body_is_in;
    uint64_t unread_bytes;
    char *body;
    size_t body_bytes, body_room_bytes, body_most_bytes;
    void (*on_piece)(void *owner, const void *piece, size_t piece_bytes);
    void (*on_end)(void *owner);
    void *upload_owner;

    struct MHD_Response *reply; /* NULL: not yet answered, or handed over */
    unsigned reply_status;
    bool is_answered, is_queued, wants_resume;
    http_feed_fn *feed;
    void *feed_owner;
};

struct http_server {
    uv_loop_t *loop;
    struct MHD_Daemon *daemon;
    const struct http_owner *handler; /* borrowed */
    void *owner;                      /* borrowed */
    void (*on_closed)(void *owner);
    struct listener listeners[LISTENERS_MAX];
    size_t listener_count;
    uv_poll_t epoll_poll;
    uv_timer_t run_timer, accept_timer;
    unsigned open_handles;
    bool is_running_mhd, is_closing;
    struct connection *connections;
    size_t connection_count;
    struct http_request *requests;
    uint16_t port;
};

/* The flow, top to bottom. */
static void on_connectable(uv_poll_t *poll, int status, int events);
static void on_accept_again(uv_timer_t *timer);
static void note_connection(void *server, struct MHD_Connection *mhd,
                            void **connection,
                            enum MHD_ConnectionNotificationCode code);
static void arm_run_timer(struct http_server *server, bool at_once);
static void on_epoll(uv_poll_t *poll, int status, int events);
static void on_run_timer(uv_timer_t *timer);
static void *note_target(void *server, const char *target,
                         struct MHD_Connection *mhd);
static enum MHD_Result handle(void *server, struct MHD_Connection *mhd,
                              const char *url, const char *method,
                              const char *version, const char *piece,
                              size_t *piece_bytes, void **request);
static ssize_t feed_block(void *request, uint64_t position, char *room,
                          size_t room_bytes);
static void note_completed(void *server, struct MHD_Connection *mhd,
                           void **request,
                           enum MHD_RequestTerminationCode code);
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
                           | MHD_USE_SUPPRESS_DATE_NO_CLOCK;

    server->daemon = MHD_start_daemon(
        flags, 0, NULL, NULL, handle, server, MHD_OPTION_EXTERNAL_LOGGER,
        log_mhd, server, MHD_OPTION_URI_LOG_CALLBACK, note_target, server,
        MHD_OPTION_NOTIFY_COMPLETED, note_completed, server,
        MHD_OPTION_NOTIFY_CONNECTION, note_connection, server,
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
        arm_run_timer(listener->server, true);
    } else if (errno == EMFILE || errno == ENFILE || errno == ENOMEM
               || errno == ENOBUFS) {
        pause_accepting(listener->server);
    }
}

static struct connection *find_connection(const struct http_server *server,
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

static void note_connection(void *context, struct MHD_Connection *mhd,
                            void **connection_place,
                            enum MHD_ConnectionNotificationCode code)
{
    const struct http_server *server = context;

    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        struct connection *connection = find_connection(server, mhd);

        if (connection)
            connection->is_known_to_mhd = true;
        *connection_place = connection;
    } else if (*connection_place) {
        drop_connection(*connection_place);
        *connection_place = NULL;
    }
}

/* --- running ------------------------------------------------------------- */

/* libmicrohttpd says how long it can wait; never called from within it. */
static void arm_run_timer(struct http_server *server, bool at_once)
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
    arm_run_timer(server, false);
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

static void resume(struct http_request *request)
{
    if (!request->is_suspended)
        return;
    request->is_suspended = false;
    MHD_resume_connection(request->mhd);
    arm_run_timer(request->server, true);
}

static void suspend(struct http_request *request)
{
    request->is_suspended = true;
    MHD_suspend_connection(request->mhd);
}

/* --- a request ----------------------------------------------------------- */

static void *note_target(void *context, const char *target,
                         struct MHD_Connection *mhd)
{
    struct http_server *server = context;
    struct http_request *request = mem_new(struct http_request);

    request->server = server;
    request->mhd = mhd;
    request->path = mem_text(target);
    char *mark = strchr(request->path, '?');
    if (mark)
        *mark = '\0';
    request->query = mark ? mark + 1 : "";
    request->next = server->requests;
    if (request->next)
        request->next->previous = request;
    server->requests = request;
    return request;
}

static void take_head(struct http_request *request, const char *method)
{
    struct connection *connection =
        find_connection(request->server, request->mhd);

    request->head_ns = uv_hrtime();
    request->connection = connection;
    if (connection)
        connection->is_busy = true;
    (void) snprintf(request->method, sizeof(request->method), "%s", method);
    request->head_is_in = true;
    request->server->handler->on_head(request->server->owner, request);
}

static void collect(struct http_request *request, const char *piece,
                    size_t piece_bytes)
{
    if (piece_bytes > request->body_most_bytes - request->body_bytes) {
        static const char text[] = "the body is too large\n";

        request->body_use = BODY_UNREAD;
        http_reply(request, 413, NULL, 0, text, sizeof(text) - 1);
        return;
    }
    if (request->body_bytes + piece_bytes > request->body_room_bytes) {
        request->body_room_bytes =
            2 * (request->body_bytes + piece_bytes) + 256;
        request->body =
            mem_checked(realloc(request->body, request->body_room_bytes));
    }
    memcpy(request->body + request->body_bytes, piece, piece_bytes);
    request->body_bytes += piece_bytes;
}

/* MHD_NO cuts the connection. */
static enum MHD_Result take_piece(struct http_request *request,
                                  const char *piece, size_t piece_bytes)
{
    switch (request->body_use) {
    case BODY_UNREAD:
        request->unread_bytes += piece_bytes;
        return request->unread_bytes > UNREAD_BODY_MAX_BYTES ? MHD_NO : MHD_YES;
    case BODY_COLLECTED:
        collect(request, piece, piece_bytes);
        return MHD_YES;
    case BODY_IN_PIECES:
        request->on_piece(request->upload_owner, piece, piece_bytes);
        return MHD_YES;
    }
    return MHD_NO;
}

static void end_body(struct http_request *request)
{
    request->body_is_in = true;
    switch (request->body_use) {
    case BODY_UNREAD:
        return;
    case BODY_COLLECTED:
        request->server->handler->on_body(request->server->owner, request,
                                          request->body ? request->body : "",
                                          request->body_bytes);
        return;
    case BODY_IN_PIECES:
        request->on_end(request->upload_owner);
        return;
    }
}

static enum MHD_Result queue_reply(struct http_request *request)
{
    const enum MHD_Result result =
        MHD_queue_response(request->mhd, request->reply_status, request->reply);

    request->is_queued = true;
    MHD_destroy_response(request->reply);
    request->reply = NULL;
    return result;
}

/* The announced length of the body; more than any limit when it is chunked. */
static uint64_t announced_bytes(struct http_request *request)
{
    const char *length = http_header(request, "Content-Length");

    if (http_header(request, "Transfer-Encoding"))
        return UINT64_MAX;
    return length ? strtoull(length, NULL, 10) : 0;
}

/* One call of libmicrohttpd: head, a piece of the body, or its end. */
static enum MHD_Result step(struct http_request *request, const char *method,
                            const char *piece, size_t *piece_bytes)
{
    if (!request->head_is_in) {
        take_head(request, method);
        /* Answering now makes libmicrohttpd close the connection afterwards:
         * only where the rest of the request isn't worth waiting for. */
        if (request->reply && announced_bytes(request) > UNREAD_BODY_MAX_BYTES)
            return queue_reply(request);
        return request->is_aborted ? MHD_NO : MHD_YES;
    }
    if (*piece_bytes > 0) {
        const enum MHD_Result result = take_piece(request, piece, *piece_bytes);

        *piece_bytes = 0;
        return request->is_aborted ? MHD_NO : result;
    }
    if (!request->body_is_in)
        end_body(request);
    if (request->is_aborted)
        return MHD_NO;
    if (request->reply)
        return queue_reply(request);
    if (!request->is_queued)
        suspend(request);
    return MHD_YES;
}

static enum MHD_Result handle(void *context, struct MHD_Connection *mhd,
                              const char *url, const char *method,
                              const char *version, const char *piece,
                              size_t *piece_bytes, void **request_place)
{
    struct http_request *request = *request_place;

    (void) context;
    (void) mhd;
    (void) url;
    (void) version;
    request->is_in_handler = true;
    const enum MHD_Result result = step(request, method, piece, piece_bytes);
    request->is_in_handler = false;
    return result;
}

static void free_request(struct http_request *request)
{
    if (request->previous)
        request->previous->next = request->next;
    else
        request->server->requests = request->next;
    if (request->next)
        request->next->previous = request->previous;
    while (request->kept) {
        struct kept_text *kept = request->kept;

        request->kept = kept->next;
        free(kept);
    }
    if (request->reply)
        MHD_destroy_response(request->reply);
    free(request->body);
    free(request->path);
    free(request);
}

static void note_completed(void *context, struct MHD_Connection *mhd,
                           void **request_place,
                           enum MHD_RequestTerminationCode code)
{
    const struct http_server *server = context;
    struct http_request *request = *request_place;
    struct connection *connection = find_connection(server, mhd);

    if (!request)
        return;
    log_debug("http: %s %s: ended (%d)", request->method, request->path,
              (int) code);
    if (connection) {
        connection->is_busy = false;
        connection->idle_since_ns = uv_hrtime();
    }
    if (request->head_is_in)
        server->handler->on_gone(server->owner, request);
    free_request(request);
    *request_place = NULL;
}

/* --- what the owner asks and says ---------------------------------------- */

const char *http_method(const struct http_request *request)
{
    return request->method;
}

const char *http_path(const struct http_request *request)
{
    return request->path;
}

const char *http_query(const struct http_request *request)
{
    return request->query;
}

struct header_search {
    const char *name;
    char *text; /* NULL: not met yet */
    size_t text_bytes;
};

static enum MHD_Result join_header(void *context, enum MHD_ValueKind kind,
                                   const char *name, const char *value)
{
    struct header_search *search = context;
    const size_t blanks = value ? strspn(value, " \t") : 0;
    size_t value_bytes = value ? strlen(value) : 0;

    (void) kind;
    if (strcasecmp(name, search->name) != 0)
        return MHD_YES;
    while (value_bytes > blanks
           && (value[value_bytes - 1] == ' ' || value[value_bytes - 1] == '\t'))
        value_bytes--;
    const bool is_first = !search->text;
    search->text = mem_checked(
        realloc(search->text, search->text_bytes + value_bytes - blanks + 3));
    if (!is_first) {
        memcpy(search->text + search->text_bytes, ", ", 2);
        search->text_bytes += 2;
    }
    if (value_bytes > blanks)
        memcpy(search->text + search->text_bytes, value + blanks,
               value_bytes - blanks);
    search->text_bytes += value_bytes - blanks;
    search->text[search->text_bytes] = '\0';
    return MHD_YES;
}

const char *http_header(struct http_request *request, const char *name)
{
    struct header_search search = { .name = name };

    (void) MHD_get_connection_values(request->mhd, MHD_HEADER_KIND, join_header,
                                     &search);
    if (!search.text)
        return NULL;
    struct kept_text *kept =
        mem_checked(malloc(sizeof(struct kept_text) + search.text_bytes + 1));
    memcpy(kept->text, search.text, search.text_bytes + 1);
    kept->next = request->kept;
    request->kept = kept;
    free(search.text);
    return kept->text;
}

int http_socket(const struct http_request *request)
{
    return MHD_get_connection_info(request->mhd,
                                   MHD_CONNECTION_INFO_CONNECTION_FD)
        ->connect_fd;
}

const struct sockaddr *http_peer(const struct http_request *request)
{
    return MHD_get_connection_info(request->mhd,
                                   MHD_CONNECTION_INFO_CLIENT_ADDRESS)
        ->client_addr;
}

uint64_t http_accepted_ns(const struct http_request *request)
{
    return request->connection ? request->connection->accepted_ns
                               : request->head_ns;
}

uint64_t http_head_ns(const struct http_request *request)
{
    return request->head_ns;
}

void http_set_data(struct http_request *request, void *data)
{
    request->data = data;
}

void *http_data(const struct http_request *request)
{
    return request->data;
}

void http_want_body(struct http_request *request, size_t most_bytes)
{
    const uint64_t announced = announced_bytes(request);

    if (announced != UINT64_MAX && announced > most_bytes) {
        static const char text[] = "the body is too large\n";

        http_reply(request, 413, NULL, 0, text, sizeof(text) - 1);
        return;
    }
    request->body_use = BODY_COLLECTED;
    request->body_most_bytes = most_bytes;
}

void http_take_upload(struct http_request *request,
                      void (*on_piece)(void *owner, const void *piece,
                                       size_t piece_bytes),
                      void (*on_end)(void *owner), void *owner)
{
    request->body_use = BODY_IN_PIECES;
    request->on_piece = on_piece;
    request->on_end = on_end;
    request->upload_owner = owner;
}

/* --- answering ----------------------------------------------------------- */

static void answer(struct http_request *request, unsigned status,
                   const struct http_field *fields, size_t field_count,
                   struct MHD_Response *response)
{
    assert(!request->is_answered);
    request->is_answered = true;
    for (size_t i = 0; i < field_count; i++)
        (void) MHD_add_response_header(response, fields[i].name,
                                       fields[i].value);
    request->reply = response;
    request->reply_status = status;
    /* libmicrohttpd takes an answer only in its own call: have it call. */
    if (!request->is_in_handler)
        resume(request);
}

void http_reply(struct http_request *request, unsigned status,
                const struct http_field *fields, size_t field_count,
                const void *body, size_t body_bytes)
{
    /* libmicrohttpd copies; it does not write through the pointer. */
    struct MHD_Response *response = mem_checked(MHD_create_response_from_buffer(
        body_bytes, body_bytes ? mem_copy(body, body_bytes) : NULL,
        MHD_RESPMEM_MUST_FREE));

    answer(request, status, fields, field_count, response);
}

void http_reply_stream(struct http_request *request, unsigned status,
                       const struct http_field *fields, size_t field_count,
                       uint64_t body_bytes, size_t block_bytes,
                       http_feed_fn *feed, void *owner)
{
    const uint64_t length_bytes =
        body_bytes == HTTP_LENGTH_UNKNOWN ? MHD_SIZE_UNKNOWN : body_bytes;
    struct MHD_Response *response =
        mem_checked(MHD_create_response_from_callback(
            length_bytes, block_bytes, feed_block, request, NULL));

    request->feed = feed;
    request->feed_owner = owner;
    answer(request, status, fields, field_count, response);
}

static ssize_t feed_block(void *context, uint64_t position, char *room,
                          size_t room_bytes)
{
    struct http_request *request = context;

    (void) position;
    if (request->is_aborted)
        return MHD_CONTENT_READER_END_WITH_ERROR;
    request->wants_resume = false;
    const ssize_t fed_bytes =
        request->feed(request->feed_owner, room, room_bytes);
    if (request->is_aborted)
        return MHD_CONTENT_READER_END_WITH_ERROR;
    if (fed_bytes == HTTP_FEED_END)
        return MHD_CONTENT_READER_END_OF_STREAM;
    if (fed_bytes == 0 && !request->wants_resume)
        suspend(request);
    return fed_bytes;
}

void http_resume(struct http_request *request)
{
    request->wants_resume = true;
    resume(request);
}

/* What is still queued must not keep a far transmitter busy: the closing
 * throws it away (a reset).  The shut-down makes libmicrohttpd see the end in
 * whatever state the connection is. */
void http_abort(struct http_request *request)
{
    const struct linger discard = { .l_onoff = 1, .l_linger = 0 };
    const int fd = http_socket(request);

    request->is_aborted = true;
    (void) setsockopt(fd, SOL_SOCKET, SO_LINGER, &discard, sizeof(discard));
    (void) shutdown(fd, SHUT_RDWR);
    resume(request);
    arm_run_timer(request->server, true);
}

/* --- closing ------------------------------------------------------------- */

void http_close(struct http_server *server, void (*on_closed)(void *owner))
{
    server->on_closed = on_closed;
    server->is_closing = true;
    /* libmicrohttpd may not be stopped while a connection is suspended. */
    for (struct http_request *request = server->requests; request;
         request = request->next)
        http_abort(request);
    uv_close((uv_handle_t *) &server->epoll_poll, on_handle_closed);
    uv_close((uv_handle_t *) &server->run_timer, on_handle_closed);
    uv_close((uv_handle_t *) &server->accept_timer, on_handle_closed);
    for (size_t i = 0; i < server->listener_count; i++) {
        server->listeners[i].poll.data = server;
        uv_close((uv_handle_t *) &server->listeners[i].poll, on_handle_closed);
    }
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct http_server *server = handle->data;

    if (--server->open_handles > 0)
        return;
    MHD_stop_daemon(server->daemon); /* on_gone for what was under way */
    while (server->connections)
        drop_connection(server->connections);
    for (size_t i = 0; i < server->listener_count; i++)
        (void) close(server->listeners[i].fd);
    void (*on_closed)(void *) = server->on_closed;
    void *owner = server->owner;
    free(server);
    if (on_closed)
        on_closed(owner);
}
