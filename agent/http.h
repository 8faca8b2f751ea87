/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_HTTP_H
#define AGENT_HTTP_H

#include <bothends/fault.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>
#include <sys/types.h>
#include <uv.h>

/*
 * The one seam between the agent and its HTTP server.  http_mhd.c drives
 * libmicrohttpd in its epoll mode from the libuv loop; another system may drive
 * it otherwise.  Loop thread only.
 *
 * A request's life: on_head() once the head is in.  There the owner either
 * answers at once (http_reply, http_reply_stream), or calls http_want_body to
 * collect the body (on_body follows, once, whole) or http_take_upload to get it
 * in pieces as it comes.  It answers once, now or later.  on_gone() is the last
 * call for every request; then the pointer is gone.
 */
struct http_server;
struct http_request;

struct http_owner {
    void (*on_head)(void *owner, struct http_request *request);
    void (*on_body)(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes);
    void (*on_gone)(void *owner, struct http_request *request);
};

/* Listen on each address (borrowed); port 0 takes a free one, told by
 * http_port().  handler and owner are borrowed until http_close(). */
int http_open(uv_loop_t *loop, const char *const *addresses,
              size_t address_count, uint16_t port,
              const struct http_owner *handler, void *owner,
              struct http_server **ret_server, struct fault *fault);
uint16_t http_port(const struct http_server *server);
/* Stop listening and drop every connection; on_closed when all is gone. */
void http_close(struct http_server *server, void (*on_closed)(void *owner));

const char *http_method(const struct http_request *request);
/* The raw target: percent-encoding untouched; query without its '?', or "". */
const char *http_path(const struct http_request *request);
const char *http_query(const struct http_request *request);
/* A header's value, trimmed; repeated ones joined by ", "; NULL: not there. */
const char *http_header(struct http_request *request, const char *name);
/* The connection's socket (for tcp_info and queue lengths; never to close). */
int http_socket(const struct http_request *request);
const struct sockaddr *http_peer(const struct http_request *request);
/* uv_hrtime() at which the connection was accepted, and the head was in. */
uint64_t http_accepted_ns(const struct http_request *request);
uint64_t http_head_ns(const struct http_request *request);
/* A place for the owner's own pointer. */
void http_set_data(struct http_request *request, void *data);
void *http_data(const struct http_request *request);

/* Collect the body; one larger than most_bytes is answered 413 by the server,
 * and on_body does not come. */
void http_want_body(struct http_request *request, size_t most_bytes);

/* on_piece gets each piece as it arrives (never 0 bytes), on_end once. */
void http_take_upload(struct http_request *request,
                      void (*on_piece)(void *owner, const void *piece,
                                       size_t piece_bytes),
                      void (*on_end)(void *owner), void *owner);

struct http_field {
    const char *name, *value;
};

/* Answer with a whole body (copied).  Nothing is added but Content-Length. */
void http_reply(struct http_request *request, unsigned status,
                const struct http_field *fields, size_t field_count,
                const void *body, size_t body_bytes);

#define HTTP_LENGTH_UNKNOWN UINT64_MAX /* chunked */
#define HTTP_FEED_END       (-1)

/*
 * Answer with a body fed on demand: feed fills room and returns how many bytes,
 * 0 when there is nothing now (then nothing more is asked until http_resume()),
 * or HTTP_FEED_END.  block_bytes is the size of room.
 */
typedef ssize_t http_feed_fn(void *owner, void *room, size_t room_bytes);
void http_reply_stream(struct http_request *request, unsigned status,
                       const struct http_field *fields, size_t field_count,
                       uint64_t body_bytes, size_t block_bytes,
                       http_feed_fn *feed, void *owner);
void http_resume(struct http_request *request);

/*
 * Answer 101 and leave HTTP (RFC 9110, section 7.8): fields names the protocol.
 * on_socket is called once, when the answer's head is out, with a duplicate of
 * the connection's descriptor (non-blocking; the owner's to close) and with
 * what has come after the request's head.  When the owner has closed it, it
 * calls http_leave(), and on_gone follows.  on_socket does not come for a
 * connection that breaks off before; on_gone does.
 */
typedef void http_socket_fn(void *owner, int socket, const void *early,
                            size_t early_bytes);
void http_upgrade(struct http_request *request, const struct http_field *fields,
                  size_t field_count, http_socket_fn *on_socket, void *owner);
void http_leave(struct http_request *request);

/* Break the connection off: what is still queued is thrown away and the peer
 * sees it cut.  No answer can be given any more; on_gone follows. */
void http_abort(struct http_request *request);

#endif
