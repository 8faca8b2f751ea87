/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_MESSAGES_PARTS_H
#define AGENT_MESSAGES_PARTS_H

#include "agent/exchanges/exchange.h"
#include "agent/exchanges/messages_frames.h"
#include "agent/exchanges/wake.h"

#include <bothends/kinds/messages.h>

/*
 * How the files of the messages share the work: messages.c sends, confirms,
 * waits and ends; messages_open.c brings the connection about, at the end that
 * opens it and at the other.
 */

#define MESSAGES_PROTOCOL  "bothends-messages" /* of the HTTP upgrade */
#define MESSAGES_HEAD_MOST 2048

enum messages_state {
    MESSAGES_UNOPENED,
    MESSAGES_CONNECTING, /* the opener: TCP */
    MESSAGES_ASKING,     /* the opener: the answer's head is awaited */
    MESSAGES_SWITCHING,  /* the other: its answer is on the way */
    MESSAGES_OPEN,
    MESSAGES_CLOSED,
};

struct messages {
    struct exchange *exchange; /* borrowed */
    struct messages_spec spec;
    bool is_second, is_opener;
    enum messages_state state;

    uv_tcp_t tcp;
    uv_connect_t connecting;
    struct wake next; /* the next message, or the end of some waiting */
    bool has_tcp, has_wake, is_switched;
    unsigned open_handles;
    size_t pending_writes;
    struct http_request *request; /* at the end that is connected to */
    char head[MESSAGES_HEAD_MOST + 1];
    size_t head_bytes;
    struct frame_reader reader;
    char read_room[16384];

    uint64_t opened_ns;
    struct messages_schedule schedule;
    uint64_t give_up_ns; /* when even the other end's last has waited out */
    uint64_t outstanding_count;
    uint64_t next_number; /* that the next message in order would have */
    bool has_ended, peer_has_ended;
    struct rows *sent, *received; /* borrowed: the account's */
};

/* --- messages.c ---------------------------------------------------------- */

/* The connection is open, and this came with its head. */
void messages_opened(struct messages *messages, const char *early,
                     size_t early_bytes);
/* Give bytes (copied) to TCP; what goes wrong is told to the exchange. */
void messages_write(struct messages *messages, const char *bytes,
                    size_t byte_count);
/* A uv_read_cb of the connection, whatever state it is in. */
void messages_on_read(uv_stream_t *stream, ssize_t byte_count,
                      const uv_buf_t *buffer);
void messages_on_room(uv_handle_t *handle, size_t wish_bytes, uv_buf_t *buffer);
/* It did not work, and why: the exchange fails with these words. */
void messages_fail(struct messages *messages, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* --- messages_open.c ------------------------------------------------------ */

void messages_connect(struct messages *messages);
/* The start has come: answer the request that waited for it. */
void messages_answer(struct messages *messages);
/* More of the answer's head, at the end that opens. */
void messages_take_head(struct messages *messages, const char *piece,
                        size_t piece_bytes);
void messages_take_request(struct exchange *exchange, void *state,
                           struct http_request *request);

#endif
