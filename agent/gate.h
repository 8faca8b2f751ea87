/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_GATE_H
#define AGENT_GATE_H

#include "agent/http.h"

#include <bothends/fault.h>
#include <jansson.h>
#include <stdbool.h>

/*
 * Who may ask, and that they believe the answer.  A request passes with a
 * signature made by the shared key over its method, path, query, content type
 * and digest, and with a nonce that this agent gave out and that was not used
 * before; then with a body of that digest.  An answer is signed together with
 * the request's signature, so that an old one can't stand for it.
 *
 * Without a key requests pass unsigned, but from this computer only.
 */
struct gate;

/* key_file NULL: no key. */
int gate_open(const char *key_file, struct gate **ret_gate,
              struct fault *fault);
void gate_close(struct gate *gate);
bool gate_has_key(const struct gate *gate);

/* What is kept of a request until it is answered. */
struct gate_pass;

/* NULL: it may not pass, and has been answered (an unsigned 401 with the next
 * nonce; 403).  gate_pass_free() accepts NULL. */
struct gate_pass *gate_check_head(struct gate *gate,
                                  struct http_request *request);
void gate_pass_free(struct gate_pass *pass);

/*
 * Hold the body against its digest, and read it as JSON (the caller's to
 * decref; NULL for an empty body).  A mistake in it is a fault that the caller
 * answers.
 */
int gate_check_body(const struct gate_pass *pass, const void *body,
                    size_t body_bytes, json_t **ret_json, struct fault *fault);

/* Answer, coded where that is shorter, and signed.  json is borrowed. */
void gate_answer(struct gate *gate, const struct gate_pass *pass,
                 struct http_request *request, unsigned status,
                 const char *content_type, const json_t *json);

#endif
