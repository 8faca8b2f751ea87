/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_SERVE_H
#define AGENT_SERVE_H

#include "agent/call.h"

/*
 * What each request of the control protocol does (DEVELOPERS.md).  The body is
 * borrowed; NULL where there is none.  serve_request() looks the others up.
 */
void serve_request(struct call *call, json_t *body);

void serve_self(struct call *call, json_t *body);
void serve_way(struct call *call, json_t *body);
void serve_step(struct call *call, json_t *body);

void serve_put_exchange(struct call *call, json_t *body);
void serve_get_exchange(struct call *call, json_t *body);
void serve_delete_exchange(struct call *call, json_t *body);
void serve_list(struct call *call, json_t *body);

/* An account can be had: answer who waits for it. */
void serve_waiting(const struct desk *desk, const char *id);

#endif
