/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CLIENT_H
#define CONTROLLER_CLIENT_H

#include "agent/wire/key.h"

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

/*
 * Signed calls to agents, on a libuv loop, by libcurl.  Between calls nothing
 * crosses the link: connections stay open and silent.  Loop thread only.
 *
 * Every call may be repeated by the client (the protocol is idempotent), so a
 * lost answer is asked for again, freshly signed.  Each answer brings the nonce
 * of the next call: calls at the same time to one target work, but all except
 * one first ask for a nonce.
 */
struct client;
struct client_target;
struct client_call;

int client_open(uv_loop_t *loop, struct client **ret_client,
                struct fault *fault);
/* Cancels calls that are under way (on_done with UV_ECANCELED) and closes;
 * on_closed (may be NULL) when every handle is gone.  Targets go with it. */
void client_close(struct client *client, void (*on_closed)(void *owner),
                  void *owner);

/* name is for messages; address is numeric or a host name. All copied. */
struct client_target *client_add_target(struct client *client, const char *name,
                                        const char *address, uint16_t port,
                                        const struct wire_key *key,
                                        const char *key_path);

struct client_answer {
    int code;           /* 0: an answer, rightly signed, came; else UV_E... */
    int status;         /* HTTP status when code is 0 */
    const json_t *json; /* borrowed for the call; NULL: none */
    char text[1280];    /* what went wrong, for the operator; or "" */
    /* Last try, own monotonic clock: before the request left (0: it never
     * did), and when the answer's first line was in. */
    uint64_t sent_ns, received_ns;
};

typedef void client_done_fn(void *owner, const struct client_answer *answer);

/*
 * method is "GET", "PUT" or "DELETE"; path is raw, with its query if any.  body
 * is borrowed during the call to this function.  timeout_ms is for each try.
 * tries_most: 1 for a call that must not be repeated, usually 3.
 * The call is freed after on_done.
 */
struct client_call *client_start(struct client_target *target,
                                 const char *method, const char *path,
                                 const json_t *body, uint64_t timeout_ms,
                                 unsigned tries_most, client_done_fn *on_done,
                                 void *owner);
/* on_done follows with UV_ECANCELED, not before this returns. */
void client_cancel(struct client_call *call);

/* HTTP bytes (heads and bodies) so far. */
uint64_t client_sent_bytes(const struct client_target *target);
uint64_t client_received_bytes(const struct client_target *target);

/* The pair of clocks with the least round trip so far (an old one gives way
 * when its drift, 100 ppm at most, outweighs that). */
struct client_clock {
    bool is_known;
    uint64_t agent_ns, own_ns; /* at the same moment, give or take: */
    uint64_t uncertainty_ns; /* half the round trip; drift since not counted */
    uint64_t least_round_trip_ns, latest_round_trip_ns;
};
struct client_clock client_clock(const struct client_target *target);
/* Forget it: the way has changed (another rate step). */
void client_forget_clock(struct client_target *target);

/* While the way changes, connections whose answers are lost are kept; when it
 * has changed, they are reset (see controller/lost.h). */
void client_keep_lost(struct client *client);
void client_reset_lost(struct client *client);

#endif
