/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_HTTP_MHD_H
#define AGENT_HTTP_MHD_H

#include "agent/http.h"

#include <microhttpd.h>
#include <stdbool.h>

/*
 * What http_mhd.c (connections, the loop) and http_mhd_request.c (a request's
 * life) share; nobody else includes it.
 */

#define LISTENERS_MAX 16

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

/* --- http_mhd.c ----------------------------------------------------------- */

/* NULL: not known. */
struct connection *http_mhd_connection(const struct http_server *server,
                                       struct MHD_Connection *mhd);
/* Have libmicrohttpd run soon: at once, or when it says that it has to.  Never
 * runs it from within itself. */
void http_mhd_run_soon(struct http_server *server, bool at_once);

/* --- http_mhd_request.c: what libmicrohttpd calls for a request ----------- */

void *http_mhd_on_target(void *context, const char *target,
                         struct MHD_Connection *mhd);
enum MHD_Result http_mhd_on_step(void *context, struct MHD_Connection *mhd,
                                 const char *url, const char *method,
                                 const char *version, const char *piece,
                                 size_t *piece_bytes, void **request_place);
void http_mhd_on_completed(void *context, struct MHD_Connection *mhd,
                           void **request_place,
                           enum MHD_RequestTerminationCode code);
/* Break off whatever is under way. */
void http_mhd_abort_all(struct http_server *server);

#endif
