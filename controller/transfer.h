/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_TRANSFER_H
#define CONTROLLER_TRANSFER_H

#include "agent/wire/curl_loop.h"
#include "controller/lost.h"

#include <bothends/fault.h>
#include <stddef.h>
#include <stdint.h>

/*
 * One HTTP request and its answer, by libcurl: nothing of signatures or JSON.
 * The heads are lean, since they cross a slow link: no header but those named.
 */
struct transfer;

struct transfer_field {
    const char *name, *value; /* value "": libcurl's own is left out */
};

struct transfer_request {
    const char *method, *url;
    const struct transfer_field *fields;
    size_t field_count;
    const void *content; /* borrowed until the transfer is freed */
    size_t content_bytes;
    uint64_t timeout_ms; /* for all of it, the connection included */
    uint64_t *sent_bytes, *received_bytes; /* heads and bodies are added here,
                                              as they go; borrowed as well */
    struct lost *lost; /* closes the connection's socket; borrowed until the
                        * curl_loop is closed */
};

/* Header fields as received; "": not there. */
struct transfer_reply {
    int code; /* 0: an answer came; else UV_E... */
    int status;
    char digest[128], next_nonce[64], input[512], signature[128], coding[32];
    char *content;
    size_t content_bytes;
    /* uv_hrtime() before the request went out (0: it never did) and when the
     * answer's first line was in: the agent acted in between. */
    uint64_t sent_ns, answered_ns;
};

typedef void transfer_done_fn(void *owner, const struct transfer_reply *reply);

/* curl was opened with transfer_ended.  on_done is called once, from the loop;
 * the owner frees the transfer then, or before (which ends it). */
int transfer_start(struct curl_loop *curl,
                   const struct transfer_request *request,
                   transfer_done_fn *on_done, void *owner,
                   struct transfer **ret_transfer, struct fault *fault);
void transfer_free(struct transfer *transfer);

/* The on_done of the curl_loop. */
void transfer_ended(void *owner, CURL *easy, CURLcode code);

#endif
