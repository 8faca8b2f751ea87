/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/curl_loop.h"

#include <stdlib.h>
#include <string.h>

/* One socket that libcurl wants watched. */
struct watch {
    uv_poll_t poll;
    struct curl_loop *curl; /* borrowed */
    curl_socket_t socket;
};

static void on_ready(uv_poll_t *poll, int status, int events);
static void on_timer(uv_timer_t *timer);

static void on_handle_closed(struct curl_loop *curl)
{
    if (--curl->open_handles == 0 && curl->on_closed)
        curl->on_closed(curl->owner);
}

static void on_watch_closed(uv_handle_t *handle)
{
    struct watch *watch = handle->data;
    struct curl_loop *curl = watch->curl;

    free(watch);
    on_handle_closed(curl);
}

static struct watch *start_watch(struct curl_loop *curl, curl_socket_t socket)
{
    struct watch *watch = calloc(1, sizeof(*watch));

    if (!watch)
        return NULL;
    watch->curl = curl;
    watch->socket = socket;
    if (uv_poll_init_socket(curl->loop, &watch->poll, socket) != 0) {
        free(watch);
        return NULL;
    }
    watch->poll.data = watch;
    curl->open_handles++;
    (void) curl_multi_assign(curl->multi, socket, watch);
    return watch;
}

static int on_socket_wish(CURL *easy, curl_socket_t socket, int wish,
                          void *owner, void *socket_owner)
{
    struct curl_loop *curl = owner;
    struct watch *watch = socket_owner;
    int events = 0;

    (void) easy;
    if (wish == CURL_POLL_REMOVE) {
        if (watch) {
            (void) curl_multi_assign(curl->multi, socket, NULL);
            uv_close((uv_handle_t *) &watch->poll, on_watch_closed);
        }
        return 0;
    }
    if (!watch)
        watch = start_watch(curl, socket);
    if (!watch)
        return -1;
    if (wish & CURL_POLL_IN)
        events |= UV_READABLE;
    if (wish & CURL_POLL_OUT)
        events |= UV_WRITABLE;
    (void) uv_poll_start(&watch->poll, events, on_ready);
    return 0;
}

static int on_timer_wish(CURLM *multi, long wait_ms, void *owner)
{
    struct curl_loop *curl = owner;

    (void) multi;
    if (wait_ms < 0)
        (void) uv_timer_stop(&curl->timer);
    else
        (void) uv_timer_start(&curl->timer, on_timer, (uint64_t) wait_ms, 0);
    return 0;
}

static void tell_done(const struct curl_loop *curl)
{
    int left_count;
    const CURLMsg *message;

    while ((message = curl_multi_info_read(curl->multi, &left_count))) {
        if (message->msg == CURLMSG_DONE)
            curl->on_done(curl->owner, message->easy_handle,
                          message->data.result);
    }
}

static void act(const struct curl_loop *curl, curl_socket_t socket, int events)
{
    int running_count;

    (void) curl_multi_socket_action(curl->multi, socket, events,
                                    &running_count);
    tell_done(curl);
}

static void on_ready(uv_poll_t *poll, int status, int events)
{
    const struct watch *watch = poll->data;
    int happened = 0;

    if (status < 0)
        happened |= CURL_CSELECT_ERR;
    if (events & UV_READABLE)
        happened |= CURL_CSELECT_IN;
    if (events & UV_WRITABLE)
        happened |= CURL_CSELECT_OUT;
    act(watch->curl, watch->socket, happened);
}

static void on_timer(uv_timer_t *timer)
{
    act(timer->data, CURL_SOCKET_TIMEOUT, 0);
}

int curl_loop_open(struct curl_loop *curl, uv_loop_t *loop,
                   void (*on_done)(void *owner, CURL *easy, CURLcode code),
                   void *owner)
{
    memset(curl, 0, sizeof(*curl));
    curl->loop = loop;
    curl->on_done = on_done;
    curl->owner = owner;
    curl->multi = curl_multi_init();
    if (!curl->multi)
        return UV_ENOMEM;
    (void) uv_timer_init(loop, &curl->timer);
    curl->timer.data = curl;
    curl->open_handles = 1;
    (void) curl_multi_setopt(curl->multi, CURLMOPT_SOCKETFUNCTION,
                             on_socket_wish);
    (void) curl_multi_setopt(curl->multi, CURLMOPT_SOCKETDATA, curl);
    (void) curl_multi_setopt(curl->multi, CURLMOPT_TIMERFUNCTION,
                             on_timer_wish);
    (void) curl_multi_setopt(curl->multi, CURLMOPT_TIMERDATA, curl);
    return 0;
}

static void on_timer_closed(uv_handle_t *handle)
{
    on_handle_closed(handle->data);
}

void curl_loop_close(struct curl_loop *curl, void (*on_closed)(void *owner))
{
    curl->on_closed = on_closed;
    (void) curl_multi_cleanup(curl->multi);
    curl->multi = NULL;
    uv_close((uv_handle_t *) &curl->timer, on_timer_closed);
}
