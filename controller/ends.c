/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/ends.h"

#include "controller/client.h"
#include "controller/keys.h"
#include "controller/own_agent.h"

#include <assert.h>
#include <limits.h>
#include <netdb.h>
#include <stdlib.h>
#include <string.h>

/* A question is asked again when its answer is lost. */
static const unsigned tries_most = 3;

/* The own agent of a run that was killed a moment ago still listens for a
 * while.  One whose key we have may be meant for us. */
static const uint64_t patience_ms = 5000;
static const uint64_t keyed_patience_ms = 500;

/* Two quartz clocks drift apart by up to about 100 ppm: a pair grows old. */
static const uint64_t drift_divisor = 10000;

#define ACKNOWLEDGEMENTS_MAX PLAN_GROUP_MAX

struct end {
    struct client_target *target; /* NULL: no agent there */
    char address[ADDRESS_SIZE], control[ADDRESS_SIZE];
    char acknowledgements[ACKNOWLEDGEMENTS_MAX][ID_SIZE];
    size_t acknowledgement_count;
};

struct ends {
    struct ends_wish wish;
    struct client *client;
    struct own_agent *own_agent;
    bool has_patience; /* a stop by the operator cuts questions short */
    bool is_closed;
    struct end ends[PLAN_ENDS_MAX];
};

/* --- opening ------------------------------------------------------------ */

static int look_up_family(const char *host, int family,
                          char ret_address[ADDRESS_SIZE])
{
    const struct addrinfo hints = { .ai_family = family,
                                    .ai_socktype = SOCK_STREAM };
    struct addrinfo *found = NULL;

    if (getaddrinfo(host, NULL, &hints, &found) != 0)
        return UV_ENOENT;
    const int code = getnameinfo(found->ai_addr, found->ai_addrlen, ret_address,
                                 ADDRESS_SIZE, NULL, 0, NI_NUMERICHOST);
    freeaddrinfo(found);
    return code ? UV_ENOENT : 0;
}

static int look_up_end(const struct plan_end *end, struct end *ret_end,
                       struct fault *fault)
{
    const char *control = end->control[0] ? end->control : end->address;

    if (look_up_family(end->address, AF_UNSPEC, ret_end->address))
        return fault_set(fault, UV_ENOENT,
                         "ends.%s.address: found '%s', expected an address or "
                         "a name that can be looked up",
                         end->name, end->address);
    if (look_up_family(control, AF_UNSPEC, ret_end->control))
        return fault_set(fault, UV_ENOENT,
                         "ends.%s.control: found '%s', expected an address or "
                         "a name that can be looked up",
                         end->name, control);
    return 0;
}

int ends_look_up(const struct ends *ends, int end, const char *host,
                 char ret_address[ADDRESS_SIZE], struct fault *fault)
{
    const int family =
        strchr(ends->ends[end].address, ':') ? AF_INET6 : AF_INET;

    if (look_up_family(host, family, ret_address) == 0)
        return 0;
    return fault_set(fault, UV_ENOENT,
                     "cannot look '%s' up: expected the end of a plan, or a "
                     "host with an IPv%d address like that of %s (%s)",
                     host, family == AF_INET6 ? 6 : 4,
                     ends->wish.plan->ends[end].name, ends->ends[end].address);
}

static int add_target(struct ends *ends, int number, struct fault *fault)
{
    const struct plan_end *planned = &ends->wish.plan->ends[number];
    const bool is_ours =
        number == ends->wish.plan->controller_end && ends->own_agent;
    struct end *end = &ends->ends[number];
    char found[PATH_MAX] = "";
    const char *path = found;
    struct wire_key key;

    if (is_ours) {
        key = *own_agent_key(ends->own_agent, &path);
    } else {
        const int code = keys_find(planned, ends->wish.plan_path, &key, found,
                                   sizeof(found), fault);

        if (code)
            return code;
    }
    end->target = client_add_target(ends->client, planned->name, end->control,
                                    (uint16_t) planned->port, &key, path);
    wire_key_clear(&key);
    return 0;
}

/* The own agent uses the key that the plan's end has, if it has one: then a
 * second controller may speak to it as well. */
static int start_own_agent(struct ends *ends, struct fault *fault)
{
    const int number = ends->wish.plan->controller_end;
    const struct plan_end *planned = &ends->wish.plan->ends[number];
    const struct end *end = &ends->ends[number];
    struct fault ignored = { 0 };
    struct wire_key key;
    char path[PATH_MAX] = "", listen[2 * ADDRESS_SIZE + 2];

    if (keys_find(planned, ends->wish.plan_path, &key, path, sizeof(path),
                  &ignored)
        == 0)
        wire_key_clear(&key);
    else if (planned->key[0])
        return fault_set(fault, ignored.code, "%s", ignored.text);
    else
        path[0] = '\0';
    (void) snprintf(listen, sizeof(listen), "%s", end->address);
    if (strcmp(end->address, end->control) != 0)
        (void) snprintf(listen, sizeof(listen), "%s,%s", end->address,
                        end->control);
    const struct own_agent_wish wish = {
        .name = planned->name,
        .listen = listen,
        .port = (uint16_t) planned->port,
        .key = path,
        .spool = ends->wish.spool,
    };
    return own_agent_start(ends->wish.loop, &wish, &ends->own_agent, fault);
}

/* Else the other end's agent would be asked over the link, and ours started on
 * an address that is not ours. */
static int check_own_end(const struct ends *ends, struct fault *fault)
{
    const int own = ends->wish.plan->controller_end;

    if (own_agent_has_address(ends->wish.loop, ends->ends[own].address))
        return 0;
    return fault_set(fault, UV_EINVAL,
                     "controller_at: found '%s', whose address %s is none of "
                     "this computer's; expected the end at whose computer you "
                     "are",
                     ends->wish.plan->ends[own].name, ends->ends[own].address);
}

/* Our own computer's agent must be one that takes our orders. */
static int find_own_agent(struct ends *ends, struct fault *fault)
{
    const int number = ends->wish.plan->controller_end;
    const struct plan_end *planned = &ends->wish.plan->ends[number];
    const char *address = ends->ends[number].control;
    const uint16_t port = (uint16_t) planned->port;
    struct fault no_key = { 0 };
    char path[PATH_MAX];
    struct wire_key key;
    const bool has_key = keys_find(planned, ends->wish.plan_path, &key, path,
                                   sizeof(path), &no_key)
                         == 0;

    wire_key_clear(&key);
    if (own_agent_is_needed(ends->wish.loop, address, port,
                            has_key ? keyed_patience_ms : patience_ms))
        return start_own_agent(ends, fault);
    if (has_key)
        return 0;
    return fault_set(fault, UV_ENOENT,
                     "%s; without one, end what listens at %s port %u: this "
                     "run then starts its own agent",
                     no_key.text, address, (unsigned) port);
}

static int open_all(struct ends *ends, struct fault *fault)
{
    const struct plan *plan = ends->wish.plan;
    int code = client_open(ends->wish.loop, &ends->client, fault);

    for (size_t i = 0; i < plan->end_count && !code; i++)
        code = look_up_end(&plan->ends[i], &ends->ends[i], fault);
    if (!code)
        code = check_own_end(ends, fault);
    if (!code)
        code = find_own_agent(ends, fault);
    for (size_t i = 0; i < plan->end_count && !code; i++) {
        if (plan_has_agent(plan, (int) i))
            code = add_target(ends, (int) i, fault);
    }
    return code;
}

int ends_open(const struct ends_wish *wish, struct ends **ret_ends,
              struct fault *fault)
{
    struct ends *ends = calloc(1, sizeof(*ends));

    if (!ends)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    ends->wish = *wish;
    ends->has_patience = true;
    const int code = open_all(ends, fault);
    if (code) {
        ends_close(ends);
        return code;
    }
    *ret_ends = ends;
    return 0;
}

static void on_client_closed(void *owner)
{
    struct ends *ends = owner;

    ends->is_closed = true;
}

void ends_close(struct ends *ends)
{
    if (!ends)
        return;
    if (ends->client) {
        client_close(ends->client, on_client_closed, ends);
        while (!ends->is_closed)
            (void) uv_run(ends->wish.loop, UV_RUN_ONCE);
    }
    own_agent_stop(ends->own_agent);
    free(ends);
}

const char *ends_address(const struct ends *ends, int end)
{
    return ends->ends[end].address;
}

bool ends_is_own(const struct ends *ends, int end)
{
    return end == ends->wish.plan->controller_end;
}

/* --- asking ------------------------------------------------------------- */

struct asking {
    bool is_done;
    int code;
    char text[512];
    struct ends_answer answer;
};

static void on_answer(void *owner, const struct client_answer *answer)
{
    struct asking *asking = owner;

    asking->is_done = true;
    asking->code = answer->code;
    (void) snprintf(asking->text, sizeof(asking->text), "%.511s", answer->text);
    if (answer->code)
        return;
    asking->answer = (struct ends_answer){
        .status = (unsigned) answer->status,
        .body = answer->json ? json_deep_copy(answer->json) : NULL,
        .taken_ns = answer->received_ns - answer->sent_ns,
    };
    (void) snprintf(asking->answer.text, sizeof(asking->answer.text), "%.511s",
                    answer->text);
}

/* The target with the acknowledgements that are due, which are then said. */
static void make_path(struct end *end, const char *target, char *ret_path,
                      size_t size)
{
    size_t used = (size_t) snprintf(ret_path, size, "%s", target);

    for (size_t i = 0; i < end->acknowledgement_count && used < size; i++)
        used += (size_t) snprintf(ret_path + used, size - used, "%s%s",
                                  i                     ? ","
                                  : strchr(target, '?') ? "&ack="
                                                        : "?ack=",
                                  end->acknowledgements[i]);
}

int ends_ask(struct ends *ends, int number,
             const struct ends_question *question,
             struct ends_answer *ret_answer, struct fault *fault)
{
    struct end *end = &ends->ends[number];
    struct asking asking = { 0 };
    char path[512 + ACKNOWLEDGEMENTS_MAX * ID_SIZE];

    assert(end->target);
    make_path(end, question->target, path, sizeof(path));
    struct client_call *call =
        client_start(end->target, question->method, path, question->body,
                     question->timeout_ms,
                     question->tries_count ? question->tries_count : tries_most,
                     on_answer, &asking);
    bool is_cancelled = false;
    while (!asking.is_done) {
        if (ends->has_patience && *ends->wish.stop && !is_cancelled) {
            is_cancelled = true;
            client_cancel(call);
        }
        (void) uv_run(ends->wish.loop, UV_RUN_ONCE);
    }
    if (asking.code == UV_ECANCELED)
        return UV_ECANCELED;
    if (asking.code)
        return fault_set(fault, asking.code, "%s", asking.text);
    end->acknowledgement_count = 0;
    *ret_answer = asking.answer;
    return 0;
}

void ends_answer_clear(struct ends_answer *answer)
{
    json_decref(answer->body);
    *answer = (struct ends_answer){ 0 };
}

void ends_finish_up(struct ends *ends)
{
    ends->has_patience = false;
}

void ends_acknowledge(struct ends *ends, int number, const char *id)
{
    struct end *end = &ends->ends[number];

    /* More than that never wait; one that found no room is said again by
     * whoever resumes. */
    if (end->acknowledgement_count == ACKNOWLEDGEMENTS_MAX)
        return;
    (void) snprintf(end->acknowledgements[end->acknowledgement_count++],
                    ID_SIZE, "%s", id);
}

bool ends_has_acknowledgements(const struct ends *ends, int number)
{
    return ends->ends[number].acknowledgement_count > 0;
}

int ends_clock(const struct ends *ends, int number,
               struct ends_clock *ret_clock)
{
    const struct client_target *target = ends->ends[number].target;

    if (!target)
        return UV_EAGAIN;
    const struct client_clock clock = client_clock(target);
    if (!clock.is_known)
        return UV_EAGAIN;
    const uint64_t age_ns = uv_hrtime() - clock.own_ns;
    *ret_clock = (struct ends_clock){
        .offset_ns = (int64_t) (clock.own_ns - clock.agent_ns),
        .uncertainty_ns = clock.uncertainty_ns + age_ns / drift_divisor,
        .latest_round_trip_ns = clock.latest_round_trip_ns,
    };
    return 0;
}

void ends_forget_clocks(struct ends *ends)
{
    for (size_t i = 0; i < ends->wish.plan->end_count; i++) {
        if (!ends_is_own(ends, (int) i) && ends->ends[i].target)
            client_forget_clock(ends->ends[i].target);
    }
}

void ends_begin_change(struct ends *ends)
{
    client_keep_lost(ends->client);
}

void ends_end_change(struct ends *ends)
{
    client_reset_lost(ends->client);
}

void ends_traffic(const struct ends *ends, uint64_t *ret_sent_bytes,
                  uint64_t *ret_received_bytes)
{
    *ret_sent_bytes = *ret_received_bytes = 0;
    for (size_t i = 0; i < ends->wish.plan->end_count; i++) {
        if (ends_is_own(ends, (int) i) || !ends->ends[i].target)
            continue;
        *ret_sent_bytes += client_sent_bytes(ends->ends[i].target);
        *ret_received_bytes += client_received_bytes(ends->ends[i].target);
    }
}
