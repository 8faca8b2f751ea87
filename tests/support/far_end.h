/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_FAR_END_H
#define TESTS_FAR_END_H

#include "agent/wire/nonce.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

/*
 * A far end for tests of the client: a small HTTP server on the loop that
 * checks and signs as an agent does, and misbehaves when it is told to.
 */
enum far_manner {
    FAR_GOOD,      /* 401 with a nonce, or a signed answer */
    FAR_SILENT,    /* takes the request and never answers */
    FAR_HANGS_UP,  /* does what it is asked, and the answer is lost */
    FAR_UNSIGNED,  /* answers without a signature */
    FAR_OTHER_KEY, /* signs with a key of its own */
    FAR_TAMPERED,  /* a byte of the body changes on the way */
    FAR_REPLAYED,  /* somebody sends the answer to an earlier request */
    FAR_FORGETFUL, /* restarted: its nonces of before are worth nothing */
    FAR_OBJECTS,   /* a signed problem, status 422 */
    FAR_BABBLES,   /* no HTTP */
};

#define FAR_CONNECTIONS_MAX 16
#define FAR_ROOM_BYTES      (64 << 10)

struct far_connection {
    uv_tcp_t tcp;
    struct far_end *far;
    bool is_open;
    char heard[FAR_ROOM_BYTES];
    size_t heard_bytes;
};

struct far_end {
    uv_loop_t *loop;
    uv_tcp_t listener;
    uint16_t port;
    struct wire_key key;
    struct nonce_mint mint;
    enum far_manner manner; /* of signed requests that are right */
    unsigned manner_left;   /* how many; then FAR_GOOD */
    int64_t clock_ahead_ns;
    const json_t *answer; /* borrowed; NULL: a short one of its own */
    /* What happened so far. */
    unsigned connection_count, request_count, accepted_count;
    char last_method[8], last_target[4096], last_coding[16];
    json_t *last_body;
    char *last_answer; /* the latest signed one, whole */
    size_t last_answer_bytes;
    uint64_t received_bytes, sent_bytes;
    size_t head_bytes_in, head_bytes_out; /* of the latest exchange */
    struct far_connection connections[FAR_CONNECTIONS_MAX];
};

/* address: "127.0.0.1" or "::1"; 0 or a negative code. */
int far_end_open(struct far_end *far, uv_loop_t *loop, const char *address,
                 const struct wire_key *key);
/* Every handle; they are gone when the loop has run. */
void far_end_close(struct far_end *far);

#endif
