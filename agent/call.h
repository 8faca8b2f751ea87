/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_CALL_H
#define AGENT_CALL_H

#include "agent/config.h"
#include "agent/gate.h"
#include "agent/roster.h"
#include "agent/spool.h"

#include <jansson.h>

/* What the service lends to its calls. */
struct desk {
    uv_loop_t *loop;
    const struct agent_config *config;
    const char *name;
    uint16_t port;
    double loopback_bps; /* 0: not measured */
    struct gate *gate;
    struct spool *spool;
    struct roster *roster;
    struct call *calls;
    const struct call *step_call; /* the one that sets a step just now */
    bool is_closing;
    void (*on_idle)(struct desk *desk); /* the last call has gone */
};

struct step_change;
struct way;

/*
 * A control request until it is answered and gone.  It may outlive its HTTP
 * request (request is NULL then), while the work that it started goes on.
 */
struct call {
    struct call *next;
    struct desk *desk;
    struct http_request *request; /* NULL: gone */
    struct gate_pass *pass;
    char id[ID_SIZE];      /* in the path, where there is one */
    char wait_id[ID_SIZE]; /* "": does not wait for an exchange */
    bool wait_is_cancel;
    uv_timer_t timer;
    bool has_timer;
    struct way *way;
    struct step_change *change;
};

/* Takes the pass; it is the request's data from now on. */
struct call *call_new(struct desk *desk, struct http_request *request,
                      struct gate_pass *pass);
/* The request is gone. */
void call_gone(struct call *call);
/* Frees the call once its request is gone and nothing works for it. */
void call_free_when_idle(struct call *call);

/* Answer with an object (taken), the time added.  Nothing happens when the
 * request is gone. */
void call_answer(const struct call *call, unsigned status, json_t *object);
void call_answer_state(const struct call *call, unsigned status,
                       enum account_state state);
/* RFC 9457; word becomes tag:bothends,2026:WORD.  A detail that begins with a
 * key ("kind: found ...") names the place also by itself. */
void call_answer_problem(const struct call *call, unsigned status,
                         const char *word, const char *title,
                         const char *detail);
void call_answer_mistake(const struct call *call, const char *detail);

#endif
