/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/http_mhd.h"

#include "agent/log.h"
#include "agent/memory.h"

#include <assert.h>
#include <fcntl.h>
#include <string.h>
#include <strings.h>

/* An answer that is known before the body has come lets this much of it pass
 * unread, so that the connection (and the answer) is not lost. */
#define UNREAD_BODY_MAX_BYTES ((uint64_t) 64 * 1024)

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
    http_socket_fn *on_socket;
    void *socket_owner;
    struct MHD_UpgradeResponseHandle *upgraded; /* NULL: it is HTTP */
};

static ssize_t feed_block(void *context, uint64_t position, char *room,
                          size_t room_bytes);

static void resume(struct http_request *request)
{
    if (!request->is_suspended)
        return;
    request->is_suspended = false;
    MHD_resume_connection(request->mhd);
    http_mhd_run_soon(request->server, true);
}

static void suspend(struct http_request *request)
{
    request->is_suspended = true;
    MHD_suspend_connection(request->mhd);
}

/* --- a request ----------------------------------------------------------- */

void *http_mhd_on_target(void *context, const char *target,
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

/* A busy connection won't give way to a new one.  One that was answered before
 * its body is in does: nobody holds connections by bodies that never come. */
static void set_busy(const struct http_request *request, bool is_busy)
{
    struct connection *connection =
        http_mhd_connection(request->server, request->mhd);

    if (!connection)
        return;
    connection->is_busy = is_busy;
    connection->idle_since_ns = uv_hrtime();
}

static void take_head(struct http_request *request, const char *method)
{
    request->head_ns = uv_hrtime();
    request->connection = http_mhd_connection(request->server, request->mhd);
    set_busy(request, true);
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

enum MHD_Result http_mhd_on_step(void *context, struct MHD_Connection *mhd,
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

void http_mhd_on_completed(void *context, struct MHD_Connection *mhd,
                           void **request_place,
                           enum MHD_RequestTerminationCode code)
{
    const struct http_server *server = context;
    struct http_request *request = *request_place;

    (void) mhd;
    if (!request)
        return;
    log_debug("http: %s %s: ended (%d)", request->method, request->path,
              (int) code);
    set_busy(request, false);
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

    if (!request->body_is_in)
        set_busy(request, false);
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

/* --- leaving HTTP --------------------------------------------------------- */

void http_leave(struct http_request *request)
{
    struct MHD_UpgradeResponseHandle *upgraded = request->upgraded;

    if (!upgraded)
        return;
    request->upgraded = NULL;
    (void) MHD_upgrade_action(upgraded, MHD_UPGRADE_ACTION_CLOSE);
    http_mhd_run_soon(request->server, true);
}

/* libuv and libmicrohttpd each close their descriptor in their own time, so the
 * owner gets a duplicate. */
static void on_upgraded(void *context, struct MHD_Connection *mhd,
                        void *request_place, const char *early,
                        size_t early_bytes, MHD_socket socket,
                        struct MHD_UpgradeResponseHandle *upgraded)
{
    struct http_request *request = context;
    const int duplicate =
        request->is_aborted ? -1 : fcntl(socket, F_DUPFD_CLOEXEC, 0);

    (void) mhd;
    (void) request_place;
    request->upgraded = upgraded;
    if (duplicate < 0)
        http_leave(request);
    else
        request->on_socket(request->socket_owner, duplicate, early,
                           early_bytes);
}

void http_upgrade(struct http_request *request, const struct http_field *fields,
                  size_t field_count, http_socket_fn *on_socket, void *owner)
{
    struct MHD_Response *response =
        mem_checked(MHD_create_response_for_upgrade(on_upgraded, request));

    request->on_socket = on_socket;
    request->socket_owner = owner;
    answer(request, MHD_HTTP_SWITCHING_PROTOCOLS, fields, field_count,
           response);
}

/* --- breaking off --------------------------------------------------------- */

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
    http_leave(request);
    http_mhd_run_soon(request->server, true);
}

void http_mhd_abort_all(struct http_server *server)
{
    for (struct http_request *request = server->requests; request;
         request = request->next)
        http_abort(request);
}
