/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/log.h"
#include "agent/loopback.h"
#include "agent/query.h"
#include "agent/readings.h"
#include "agent/self.h"
#include "agent/serve.h"
#include "agent/step.h"
#include "agent/way.h"

/* It blocks for a moment, and would spoil an exchange. */
static bool take_selftest(const struct call *call)
{
    struct desk *desk = call->desk;
    uint64_t wanted = 0;

    if (query_whole(http_query(call->request), "selftest", 1, &wanted)
        == QUERY_WRONG) {
        call_answer_mistake(call, "selftest: found what can't be, expected 1");
        return false;
    }
    if (wanted && roster_is_empty(desk->roster))
        desk->loopback_bps = loopback_measure();
    return true;
}

void serve_self(struct call *call, json_t *body)
{
    const struct desk *desk = call->desk;

    (void) body;
    if (!take_selftest(call))
        return;
    const struct self_site site = {
        .name = desk->name,
        .config = desk->config,
        .port = desk->port,
        .loopback_bps = desk->loopback_bps,
        .readings_ns = readings_took_ns(roster_readings(desk->roster)),
    };
    call_answer(call, 200, self_describe(&site));
}

static void on_way_done(void *owner, json_t *findings)
{
    struct call *call = owner;

    call->way = NULL;
    call_answer(call, 200, json_incref(findings));
    call_free_when_idle(call);
}

static bool read_way_question(const struct call *call,
                              struct way_question *question,
                              struct fault *fault)
{
    const char *query = http_query(call->request);

    if (query_text(query, "to", question->to, sizeof(question->to))
        != QUERY_FOUND)
        (void) fault_set(fault, UV_EINVAL,
                         "to: found none that can be read, expected a numeric "
                         "address");
    if (query_text(query, "from", question->from, sizeof(question->from))
        == QUERY_WRONG)
        (void) fault_set(fault, UV_EINVAL,
                         "from: found what can't be read, expected a numeric "
                         "address");
    if (query_text(query, "interface", question->interface,
                   sizeof(question->interface))
        == QUERY_WRONG)
        (void) fault_set(fault, UV_EINVAL,
                         "interface: found what can't be read, expected an "
                         "interface's name");
    if (query_whole(query, "bytes", 65535, &question->bytes) == QUERY_WRONG)
        (void) fault_set(fault, UV_EINVAL,
                         "bytes: found what is no size, expected IP bytes up "
                         "to 65535");
    return fault->code == 0;
}

void serve_way(struct call *call, json_t *body)
{
    struct way_question question = { .bytes = 0 };
    struct fault fault = { 0 };

    (void) body;
    if (!read_way_question(call, &question, &fault))
        call_answer_mistake(call, fault.text);
    else if (way_start(call->desk->loop, &question, on_way_done, call,
                       &call->way, &fault)
             < 0)
        call_answer_problem(call, 422, "no-way",
                            "There is no way to that address", fault.text);
}

static void on_step_done(void *owner, const struct fault *fault)
{
    struct call *call = owner;

    call->change = NULL;
    call->desk->step_call = NULL;
    if (fault->code)
        call_answer_problem(call, 502, "step-failed",
                            "The owner's command did not set the step",
                            fault->text);
    else
        call_answer(call, 200, json_object());
    call_free_when_idle(call);
}

void serve_step(struct call *call, json_t *body)
{
    struct desk *desk = call->desk;
    struct fault fault = { 0 };
    const char *name = json_string_value(json_object_get(body, "name"));

    if (!name || json_object_size(body) != 1) {
        call_answer_mistake(call, "name: found something else than "
                                  "{\"name\": STEP}, expected just that");
        return;
    }
    if (desk->step_call) {
        call_answer_problem(call, 409, "busy", "This agent is busy",
                            "another step is being set; wait for it");
        return;
    }
    if (step_start(desk->loop, desk->config, name, on_step_done, call,
                   &call->change, &fault)
        < 0) {
        const bool is_ours = fault.code != UV_ENOSYS && fault.code != UV_EINVAL;

        call_answer_problem(call, is_ours ? 502 : 403,
                            is_ours ? "step-failed" : "step-not-allowed",
                            is_ours ? "The owner's command did not set the step"
                                    : "The owner does not allow that",
                            fault.text);
        return;
    }
    desk->step_call = call;
    log_info("step: setting '%s'", name);
}
