/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/call.h"

#include "agent/clock.h"
#include "agent/log.h"
#include "agent/memory.h"
#include "agent/wire/body.h"

struct call *call_new(struct desk *desk, struct http_request *request,
                      struct gate_pass *pass)
{
    struct call *call = mem_new(struct call);

    call->desk = desk;
    call->request = request;
    call->pass = pass;
    call->next = desk->calls;
    desk->calls = call;
    http_set_data(request, call);
    return call;
}

static void remove_call(struct call *call)
{
    struct desk *desk = call->desk;
    struct call **link = &desk->calls;

    while (*link != call)
        link = &(*link)->next;
    *link = call->next;
    gate_pass_free(call->pass);
    free(call);
    if (!desk->calls)
        desk->on_idle(desk);
}

static void on_call_timer_closed(uv_handle_t *handle)
{
    remove_call(handle->data);
}

void call_free_when_idle(struct call *call)
{
    if (call->request || call->way || call->change)
        return;
    if (!call->has_timer)
        remove_call(call);
    else if (!uv_is_closing((uv_handle_t *) &call->timer))
        uv_close((uv_handle_t *) &call->timer, on_call_timer_closed);
}

void call_gone(struct call *call)
{
    call->request = NULL;
    call->wait_id[0] = '\0';
    call_free_when_idle(call);
}

static void answer_as(const struct call *call, unsigned status,
                      const char *content_type, json_t *object)
{
    (void) json_object_set_new(object, "now_ns",
                               json_integer((json_int_t) clock_now_ns()));
    if (call->request)
        gate_answer(call->desk->gate, call->pass, call->request, status,
                    content_type, object);
    json_decref(object);
}

void call_answer(const struct call *call, unsigned status, json_t *object)
{
    answer_as(call, status, BODY_TYPE_JSON, object);
}

void call_answer_problem(const struct call *call, unsigned status,
                         const char *word, const char *title,
                         const char *detail)
{
    const size_t key_length =
        strspn(detail, "abcdefghijklmnopqrstuvwxyz0123456789_.-");
    char place[64];

    (void) snprintf(place, sizeof(place), "%.*s",
                    (int) (key_length < 63 ? key_length : 63), detail);
    log_info("service: answered %u: %s", status, detail);
    answer_as(call, status, BODY_TYPE_PROBLEM,
              problem_new((int) status, word, title, detail,
                          detail[key_length] == ':' ? place : NULL));
}

void call_answer_mistake(const struct call *call, const char *detail)
{
    call_answer_problem(call, 400, "mistake", "The request has a mistake",
                        detail);
}

void call_answer_state(const struct call *call, unsigned status,
                       enum account_state state)
{
    json_t *object = mem_checked(json_object());

    (void) json_object_set_new(object, "state",
                               json_string(account_states[state]));
    call_answer(call, status, object);
}
