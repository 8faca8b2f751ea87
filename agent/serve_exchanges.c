/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/log.h"
#include "agent/memory.h"
#include "agent/query.h"
#include "agent/serve.h"
#include "agent/wire/messages.h"

#include <string.h>

#define LONGEST_WAIT_MS ((uint64_t) 10 * 60 * 1000)

/* The account as it is in the spool; NULL: it can't be read. */
static json_t *read_account(const struct call *call, const char *id)
{
    char *text = NULL;
    size_t text_bytes = 0;
    const int result = spool_get(call->desk->spool, id, &text, &text_bytes);
    if (result < 0) {
        log_error("spool: cannot read '%s': %s", id, uv_strerror(result));
        return NULL;
    }
    json_t *account = json_loadb(text, text_bytes, 0, NULL);
    free(text);
    return account;
}

/* The state of an account that is ready. */
static void answer_ready_state(const struct call *call, const char *id)
{
    json_t *account = read_account(call, id);
    const char *state = json_string_value(json_object_get(account, "state"));

    /* A value equal to its preset may be left out. */
    call_answer(call, 200,
                json_pack("{s:s}", "state", state ? state : account_states[0]));
    json_decref(account);
}

static void answer_taken(const struct call *call,
                         const struct exchange_order *order,
                         enum roster_answer taken, const struct fault *fault)
{
    enum account_state state = ACCOUNT_ARMED;

    switch (taken) {
    case ROSTER_ARMED:
        call_answer_state(call, 201, ACCOUNT_ARMED);
        return;
    case ROSTER_TOLD_BEFORE:
        if (roster_find(call->desk->roster, order->id, &state) == ROSTER_READY)
            answer_ready_state(call, order->id);
        else
            call_answer_state(call, 200, state);
        return;
    case ROSTER_REFUSED:
        call_answer_problem(call, 422, "order",
                            "The order can't be carried out", fault->text);
        return;
    case ROSTER_BUSY:
        call_answer_problem(call, 409, "busy", "This agent is busy",
                            fault->text);
        return;
    case ROSTER_CONFLICT:
        call_answer_problem(call, 409, "conflict", "The id is taken",
                            fault->text);
        return;
    }
}

void serve_put_exchange(struct call *call, json_t *body)
{
    struct exchange_order order = { 0 };
    struct fault fault = { 0 };

    if (order_decode(body, &order, &fault) < 0) {
        call_answer_problem(call, 422, "order",
                            "The order can't be carried out", fault.text);
        return;
    }
    if (strcmp(order.id, call->id) != 0) {
        call_answer_mistake(call,
                            "id: found another than in the path, expected "
                            "the same");
        return;
    }
    const enum roster_answer taken =
        roster_take(call->desk->roster, &order, &fault);
    answer_taken(call, &order, taken, &fault);
}

static void answer_account(const struct call *call, const char *id)
{
    json_t *account = read_account(call, id);

    if (account)
        call_answer(call, 200, account);
    else
        call_answer_problem(call, 500, "spool", "The account can't be read",
                            "its file in the spool is spoilt");
}

static void answer_unknown(const struct call *call)
{
    call_answer_problem(
        call, 404, "unknown", "There is no such exchange",
        "this agent was not told of an exchange of that id, or its "
        "account was acknowledged and dropped");
}

static void answer_progress(const struct call *call, const char *id,
                            enum account_state state)
{
    const struct exchange *exchange = roster_by_id(call->desk->roster, id);
    const uint64_t done = exchange ? exchange_done_so_far(exchange) : 0;
    json_t *object = mem_checked(json_object());

    (void) json_object_set_new(object, "state",
                               json_string(account_states[state]));
    if (done)
        (void) json_object_set_new(object, "done",
                                   json_integer((json_int_t) done));
    call_answer(call, 202, object);
}

static void answer_where_it_stands(const struct call *call, const char *id)
{
    enum account_state state = ACCOUNT_ARMED;

    switch (roster_find(call->desk->roster, id, &state)) {
    case ROSTER_UNKNOWN:
        answer_unknown(call);
        return;
    case ROSTER_UNDER_WAY:
        answer_progress(call, id, state);
        return;
    case ROSTER_READY:
        answer_account(call, id);
        return;
    }
}

static void on_waited(uv_timer_t *timer)
{
    struct call *call = timer->data;

    call->wait_id[0] = '\0';
    answer_where_it_stands(call, call->id);
}

/* The first wake-up of its id answers; the timer does where none comes. */
static void wait_for(struct call *call, bool is_cancel, uint64_t wait_ms)
{
    memcpy(call->wait_id, call->id, sizeof(call->id));
    call->wait_is_cancel = is_cancel;
    (void) uv_timer_init(call->desk->loop, &call->timer);
    call->timer.data = call;
    call->has_timer = true;
    (void) uv_timer_start(&call->timer, on_waited, wait_ms, 0);
}

void serve_get_exchange(struct call *call, json_t *body)
{
    enum account_state state = ACCOUNT_ARMED;
    uint64_t wait_ms = 0;

    (void) body;
    if (query_whole(http_query(call->request), "wait_ms", LONGEST_WAIT_MS,
                    &wait_ms)
        == QUERY_WRONG) {
        call_answer_mistake(call, "wait_ms: found what can't be, expected "
                                  "milliseconds, up to 600000");
        return;
    }
    if (wait_ms > 0
        && roster_find(call->desk->roster, call->id, &state)
               == ROSTER_UNDER_WAY)
        wait_for(call, false, wait_ms);
    else
        answer_where_it_stands(call, call->id);
}

void serve_delete_exchange(struct call *call, json_t *body)
{
    enum account_state state = ACCOUNT_ARMED;

    (void) body;
    switch (roster_find(call->desk->roster, call->id, &state)) {
    case ROSTER_UNKNOWN:
        answer_unknown(call);
        return;
    case ROSTER_UNDER_WAY:
        wait_for(call, true, LONGEST_WAIT_MS);
        roster_cancel(call->desk->roster, call->id);
        return;
    case ROSTER_READY:
        answer_ready_state(call, call->id);
        return;
    }
}

static void add_id(void *owner, const char *id)
{
    (void) json_array_append_new(owner, json_string(id));
}

void serve_list(struct call *call, json_t *body)
{
    json_t *ids = mem_checked(json_array());

    (void) body;
    spool_each(call->desk->spool, false, add_id, ids);
    call_answer(call, 200, json_pack("{s:o}", "ids", ids));
}

void serve_waiting(const struct desk *desk, const char *id)
{
    for (struct call *call = desk->calls; call; call = call->next) {
        if (!call->wait_id[0] || strcmp(call->wait_id, id) != 0)
            continue;
        call->wait_id[0] = '\0';
        (void) uv_timer_stop(&call->timer);
        if (call->wait_is_cancel)
            answer_ready_state(call, id);
        else
            answer_account(call, id);
    }
}
