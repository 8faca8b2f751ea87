/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_DOWNLOAD_PARTS_H
#define AGENT_DOWNLOAD_PARTS_H

#include "agent/exchanges/exchange.h"
#include "agent/exchanges/payload.h"
#include "agent/exchanges/tcp_info.h"
#include "agent/wire/curl_loop.h"

#include <bothends/kinds/download.h>
#include <sys/types.h>

/*
 * How the files of a download share the work:
 *
 *                    sends (download_sender.c)   receives (download_receiver.c)
 *   connects         PUT, download_opener.c      GET, download_opener.c
 *   is connected to  GET, download_server.c      PUT, download_server.c
 *
 * download_until.c decides when it has gone on for long enough;
 * and where a web server sends, download_url.c says from where.
 *
 * download.c holds what all four have in common: the life of the part, TCP's
 * own account and the record of each connection.
 */
#define DOWNLOAD_CONNECTIONS_MAX 16
#define DOWNLOAD_REFUSAL_SIZE    120

enum data_state {
    DATA_UNOPENED,
    DATA_OPEN,
    DATA_DRAINING, /* all given to TCP, not yet all acknowledged */
    DATA_DONE,
    DATA_BROKEN,
};

/* How fast the data leave the socket, over the latest two whole windows. */
struct pace {
    uint64_t window_start_ns, window_start_bytes;
    double last_bps, before_bps;
};

/* The rate of every access cycle since the first arrival, at the receiver. */
struct cycle_record {
    uint64_t first_ns, last_ns; /* arrivals; 0: none yet */
    double cycle_ns;
    double *rates_bps;
    size_t room;
};

struct data_connection {
    struct download *download; /* borrowed */
    uint64_t number;
    enum data_state state;
    int socket; /* to ask TCP; -1: none */
    struct download_connection row;

    /* Sender. */
    struct payload payload;
    uint64_t share_bytes; /* to send; UINT64_MAX: by time */
    uint64_t fed_until_ns;
    struct pace pace;
    bool is_fed;     /* all of it, or the time is over */
    bool is_waiting; /* for the socket to empty a little */

    /* Receiver. */
    uint64_t merged_from_ns;
    size_t arrival_place; /* of the row that still grows, plus 1 */
    char begin[PAYLOAD_HEADER_MOST];
    size_t begin_bytes;

    /* Opener: the transfer.  Server: the request. */
    CURL *easy;
    char error[CURL_ERROR_SIZE];
    char refusal[DOWNLOAD_REFUSAL_SIZE]; /* what came instead of content */
    size_t refusal_bytes;
    struct http_request *request; /* borrowed until gone */
    bool is_received;             /* the upload's end has come */
};

struct download {
    struct exchange *exchange; /* borrowed */
    struct download_spec spec;
    bool is_sender, is_opener;
    bool is_begun, is_closing;
    struct data_connection connections[DOWNLOAD_CONNECTIONS_MAX];
    size_t connection_count;
    uint64_t most_unsent_bytes, tail_bytes;
    struct cycle_record cycles; /* until */
    struct looks looks;
    bool is_within;                 /* the latest look was content */
    char mark[PAYLOAD_HEADER_MOST]; /* what the data begin with */
    size_t mark_bytes;
    struct rows *arrivals, *tcp, *rows; /* borrowed: the account's */
    struct curl_loop curl;
    struct curl_slist *heads, *aims;
    uv_timer_t tcp_timer, check_timer;
    unsigned open_handles;
};

/* --- download.c: common -------------------------------------------------- */

/* The connection has a socket now; the row's stamps are the caller's. */
void download_opened(struct data_connection *connection, int socket);
/* Its ports, while it is connected. */
void download_note_ports(struct data_connection *connection);
/* TCP's last word before the socket goes; it is not asked any more. */
void download_leaves_socket(struct data_connection *connection);
/* The connection came to its end.  May end the whole download. */
void download_connection_ended(struct data_connection *connection,
                               enum data_state state);
/* End it here and now, as planned: what is still open is broken off. */
void download_end(struct download *download);
/* The end by time, on this end's clock; UINT64_MAX when bytes rule. */
uint64_t download_end_ns(const struct download *download);

/* --- download_sender.c --------------------------------------------------- */

void download_prepare_feed(struct data_connection *connection);
/* An http_feed_fn of a data_connection. */
ssize_t download_feed(void *owner, void *room, size_t room_bytes);
/* Look after the connections that wait, in check_timer's beat. */
void download_check_feeds(struct download *download);
void download_start_checks(struct download *download);
size_t download_feed_block_bytes(const struct download *download);

/* --- download_receiver.c ------------------------------------------------- */

void download_note_content(struct data_connection *connection,
                           const void *content, size_t content_bytes);
/* At the clean end: is it as much as was ordered?  Else there is a trouble. */
bool download_is_complete(const struct data_connection *connection);

/* --- download_opener.c --------------------------------------------------- */

/* Open every connection; what fails is told by download_connection_ended(). */
int download_open_all(struct download *download);
void download_drop_transfer(struct data_connection *connection);
void download_resume_transfer(const struct data_connection *connection);

/* --- download_until.c ---------------------------------------------------- */

void download_until_note(struct download *download, uint64_t at_ns,
                         size_t content_bytes);
/* May end the download. */
void download_until_look(struct download *download);
/* At the end, for the account. */
void download_until_tell(struct download *download,
                         struct looks_outcome *ret_outcome);
/* A connection that the other end broke off: was it because it knows enough? */
bool download_until_was_ended(const struct data_connection *connection);

/* --- download_url.c ------------------------------------------------------ */

/* Does the owner allow it?  The fault says what would have to be done. */
int download_check_url(const struct exchange *exchange,
                       const struct download_spec *spec, struct fault *fault);
int download_aim_at_url(struct data_connection *connection);
/* Ends what goes on after the time is over. */
void download_end_url_in_time(struct download *download);

/* --- download_server.c --------------------------------------------------- */

void download_take_request(struct exchange *exchange, void *state,
                           struct http_request *request);
void download_request_gone(struct exchange *exchange, void *state,
                           struct http_request *request);
/* Let go of the duplicate descriptor, TCP's last word taken. */
void download_server_leaves(struct data_connection *connection);
/* The start has come: answer the request that waited for it. */
void download_answer(struct data_connection *connection);

#endif
