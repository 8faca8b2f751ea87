/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_CURL_LOOP_H
#define WIRE_CURL_LOOP_H

#include <curl/curl.h>
#include <uv.h>

/*
 * libcurl transfers on the libuv loop.  on_done is called once for a transfer
 * that came to its end by itself; the owner then removes it.
 */
struct curl_loop {
    uv_loop_t *loop;
    CURLM *multi; /* NULL: not open */
    uv_timer_t timer;
    unsigned open_handles;
    void (*on_done)(void *owner, CURL *easy, CURLcode code);
    void (*on_closed)(void *owner);
    void *owner; /* borrowed */
};

int curl_loop_open(struct curl_loop *curl, uv_loop_t *loop,
                   void (*on_done)(void *owner, CURL *easy, CURLcode code),
                   void *owner);

/* Remove every transfer before; on_closed is called from the loop. */
void curl_loop_close(struct curl_loop *curl, void (*on_closed)(void *owner));

#endif
