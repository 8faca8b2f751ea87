/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/service.h"

#include "agent/clock.h"
#include "agent/exchanges/identify.h"
#include "agent/gate.h"
#include "agent/http.h"
#include "agent/log.h"
#include "agent/memory.h"
#include "agent/query.h"
#include "agent/roster.h"
#include "agent/self.h"
#include "agent/sockets.h"
#include "agent/spool.h"
#include "agent/step.h"
#include "agent/way.h"
#include "agent/wire/body.h"
#include "agent/wire/messages.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <unistd.h>

#define BODY_MOST_BYTES    ((size_t) 64 * 1024)
#define LONGEST_WAIT_MS    (10 * 60 * 1000)
#define DATA_PATH          "/data/"
#define PORT_TRIES         16
#define DATAGRAMS_PER_TURN 16

/* A UDP socket of the agent. */
struct ear {
    struct service *service;
    uv_poll_t poll;
    int fd; /* -1: none */
};

/* A request on a data connection: the exchange's, which hears of its end. */
struct data_call {
    struct data_call *next;
    struct http_request *request;
    struct exchange *exchange;
};

/*
 * A control request until it is answered and gone.  It may outlive its HTTP
 * request (request is NULL then), while the work that it started goes on.
 */
struct call {
    struct call *next;
    struct service *service;
    struct http_request *request;
    struct gate_pass *pass;
    const struct route *route;
    char rest[ID_SIZE];    /* of the path: an id */
    char wait_id[ID_SIZE]; /* "": does not wait for an exchange */
    bool wait_is_cancel;
    uv_timer_t timer;
    bool has_timer;
    struct way *way;
    struct step_change *change;
};

struct service {
    uv_loop_t *loop;
    const struct agent_config *config;
    const char *name;
    uint16_t port;
    char addresses[512];
    struct gate *gate;
    struct spool *spool;
    struct roster *roster;
    struct http_server *http;
    struct ear ear4, ear6;
    unsigned open_ears;
    struct call *calls;
    struct data_call *data_calls;
    const struct call *step_call; /* the one that sets a step just now */
    bool is_closing;
    void (*on_closed)(void *owner);
    void *owner;
};

/* The flow, top to bottom. */
static void on_head(void *owner, struct http_request *request);
static void on_body(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes);
static void on_gone(void *owner, struct http_request *request);
static void on_ready(void *owner, const char *id);
static void on_datagram(uv_poll_t *poll, int status, int events);
static void on_roster_closed(void *owner);
static void on_http_closed(void *owner);
static void on_ear_closed(uv_handle_t *handle);

static const struct http_owner http_owner = { on_head, on_body, on_gone };

/* --- opening -------------------------------------------------------------- */

/* The addresses to listen on where none are named: an IPv6 one only where the
 * system has IPv6. */
static size_t preset_addresses(bool has_key, const char *room[2])
{
    const char *six = has_key ? "::" : "::1";
    int probe = -1;

    room[0] = has_key ? "0.0.0.0" : "127.0.0.1";
    if (sockets_open_udp(six, 0, &probe, NULL) < 0)
        return 1;
    (void) close(probe);
    room[1] = six;
    return 2;
}

static int check_addresses(const char *const *addresses, size_t address_count,
                           bool has_key, struct fault *fault)
{
    for (size_t i = 0; i < address_count; i++) {
        struct sockaddr_storage address;
        const int result = sockets_parse(addresses[i], 0, &address, fault);
        if (result < 0)
            return result;
        if (!has_key
            && !sockets_is_loopback((const struct sockaddr *) &address))
            return fault_set(fault, UV_EINVAL,
                             "without a key an agent listens on loopback only, "
                             "found %s; make a key with --new-key FILE and "
                             "name it with --key FILE",
                             addresses[i]);
    }
    return 0;
}

/* One socket a family: bound to the one address listened on, or to all. */
static int open_udp(const char *const *addresses, size_t address_count,
                    int family, uint16_t port, int *ret_socket,
                    struct fault *fault)
{
    const char *only = NULL;
    size_t count = 0;

    for (size_t i = 0; i < address_count; i++) {
        const bool is_six = strchr(addresses[i], ':') != NULL;

        if (is_six == (family == AF_INET6)) {
            only = addresses[i];
            count++;
        }
    }
    *ret_socket = -1;
    if (count == 0)
        return 0;
    if (count > 1)
        only = family == AF_INET6 ? "::" : "0.0.0.0";
    return sockets_open_udp(only, port, ret_socket, fault);
}

static void close_udp(struct service *service)
{
    struct ear *const ears[] = { &service->ear4, &service->ear6 };

    for (size_t i = 0; i < COUNT_OF(ears); i++) {
        if (ears[i]->fd >= 0)
            (void) close(ears[i]->fd);
        ears[i]->fd = -1;
    }
}

/* TCP and UDP on one port. */
static int open_ports_at(struct service *service, const char *const *addresses,
                         size_t address_count, uint16_t port,
                         struct fault *fault)
{
    int result = open_udp(addresses, address_count, AF_INET, port,
                          &service->ear4.fd, fault);
    if (result == 0 && port == 0 && service->ear4.fd >= 0)
        port = sockets_port(service->ear4.fd);
    if (result == 0)
        result = open_udp(addresses, address_count, AF_INET6, port,
                          &service->ear6.fd, fault);
    if (result == 0 && port == 0 && service->ear6.fd >= 0)
        port = sockets_port(service->ear6.fd);
    if (result == 0)
        result = http_open(service->loop, addresses, address_count, port,
                           &http_owner, service, &service->http, fault);
    if (result < 0)
        close_udp(service);
    return result;
}

/* A port that is free for UDP may be taken for TCP: then another is tried. */
static int open_ports(struct service *service, const char *const *addresses,
                      size_t address_count, uint16_t port, struct fault *fault)
{
    int result = UV_EADDRINUSE;

    for (unsigned i = 0; result == UV_EADDRINUSE && i < PORT_TRIES; i++) {
        *fault = (struct fault){ 0 };
        result = open_ports_at(service, addresses, address_count, port, fault);
        if (port != 0)
            break;
    }
    return result;
}

static void listen_with(struct service *service, struct ear *ear)
{
    ear->service = service;
    if (ear->fd < 0)
        return;
    const int result = uv_poll_init(service->loop, &ear->poll, ear->fd);
    assert(result == 0);
    (void) result;
    ear->poll.data = ear;
    (void) uv_poll_start(&ear->poll, UV_READABLE, on_datagram);
    service->open_ears++;
}

static void free_service(struct service *service)
{
    spool_close(service->spool);
    gate_close(service->gate);
    close_udp(service);
    free(service);
}

static void write_addresses(struct service *service,
                            const char *const *addresses, size_t address_count)
{
    size_t used = 0;

    for (size_t i = 0; i < address_count && used < sizeof(service->addresses);
         i++)
        used += (size_t) snprintf(service->addresses + used,
                                  sizeof(service->addresses) - used, "%s%s",
                                  i ? ", " : "", addresses[i]);
}

static int open_parts(struct service *service, const struct service_site *site,
                      struct fault *fault)
{
    const char *presets[2];
    const char *const *addresses = site->addresses;
    size_t address_count = site->address_count;
    int result = gate_open(site->key_file, &service->gate, fault);
    if (result < 0)
        return result;
    const bool has_key = gate_has_key(service->gate);
    if (address_count == 0) {
        addresses = presets;
        address_count = preset_addresses(has_key, presets);
    }
    result = check_addresses(addresses, address_count, has_key, fault);
    if (result == 0)
        result =
            spool_open(site->loop, site->spool_folder, &service->spool, fault);
    if (result == 0)
        result =
            open_ports(service, addresses, address_count, site->port, fault);
    if (result == 0)
        write_addresses(service, addresses, address_count);
    return result;
}

int service_open(const struct service_site *site, struct service **ret_service,
                 struct fault *fault)
{
    struct service *service = mem_new(struct service);

    service->loop = site->loop;
    service->config = site->config;
    service->name = site->name;
    service->ear4.fd = service->ear6.fd = -1;
    const int result = open_parts(service, site, fault);
    if (result < 0) {
        free_service(service);
        return result;
    }
    service->port = http_port(service->http);
    listen_with(service, &service->ear4);
    listen_with(service, &service->ear6);
    const struct exchange_site exchange_site = {
        .loop = site->loop,
        .udp4 = service->ear4.fd,
        .udp6 = service->ear6.fd,
        .port = service->port,
    };
    service->roster =
        roster_open(&exchange_site, service->spool, on_ready, service);
    roster_recover(service->roster);
    *ret_service = service;
    return 0;
}

uint16_t service_port(const struct service *service)
{
    return service->port;
}

const char *service_addresses(const struct service *service)
{
    return service->addresses;
}

/* --- calls ---------------------------------------------------------------- */

static struct call *add_call(struct service *service,
                             struct http_request *request,
                             struct gate_pass *pass)
{
    struct call *call = mem_new(struct call);

    call->service = service;
    call->request = request;
    call->pass = pass;
    call->next = service->calls;
    service->calls = call;
    http_set_data(request, call);
    return call;
}

static void remove_call(struct call *call)
{
    struct call **link = &call->service->calls;

    while (*link != call)
        link = &(*link)->next;
    *link = call->next;
    gate_pass_free(call->pass);
    free(call);
}

static void on_call_timer_closed(uv_handle_t *handle)
{
    remove_call(handle->data);
}

/* Once its request is gone and nothing works for it any more. */
static void free_call_when_idle(struct call *call)
{
    if (call->request || call->way || call->change)
        return;
    if (!call->has_timer)
        remove_call(call);
    else if (!uv_is_closing((uv_handle_t *) &call->timer))
        uv_close((uv_handle_t *) &call->timer, on_call_timer_closed);
}

/* Answer with an object (taken), the time added. */
static void answer_as(const struct call *call, unsigned status,
                      const char *content_type, json_t *object)
{
    (void) json_object_set_new(object, "now_ns",
                               json_integer((json_int_t) clock_now_ns()));
    if (call->request)
        gate_answer(call->service->gate, call->pass, call->request, status,
                    content_type, object);
    json_decref(object);
}

static void answer(const struct call *call, unsigned status, json_t *object)
{
    answer_as(call, status, BODY_TYPE_JSON, object);
}

/* RFC 9457.  A detail that begins with a key ("kind: found ...") names the
 * place also by itself. */
static void answer_problem(const struct call *call, unsigned status,
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

static void answer_mistake(const struct call *call, const char *detail)
{
    answer_problem(call, 400, "mistake", "The request has a mistake", detail);
}

static void answer_state(const struct call *call, unsigned status,
                         enum account_state state)
{
    json_t *object = mem_checked(json_object());

    (void) json_object_set_new(object, "state",
                               json_string(account_states[state]));
    answer(call, status, object);
}

/* --- GET /self, GET /way, PUT /step --------------------------------------- */

static void serve_self(struct call *call, json_t *body)
{
    const struct service *service = call->service;
    const struct self_site site = { .name = service->name,
                                    .config = service->config,
                                    .port = service->port };

    (void) body;
    answer(call, 200, self_describe(&site));
}

static void on_way_done(void *owner, json_t *findings)
{
    struct call *call = owner;

    call->way = NULL;
    answer(call, 200, json_incref(findings));
    free_call_when_idle(call);
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

static void serve_way(struct call *call, json_t *body)
{
    struct way_question question = { .bytes = 0 };
    struct fault fault = { 0 };

    (void) body;
    if (!read_way_question(call, &question, &fault))
        answer_mistake(call, fault.text);
    else if (way_start(call->service->loop, &question, on_way_done, call,
                       &call->way, &fault)
             < 0)
        answer_problem(call, 422, "no-way", "There is no way to that address",
                       fault.text);
}

static void on_step_done(void *owner, const struct fault *fault)
{
    struct call *call = owner;

    call->change = NULL;
    call->service->step_call = NULL;
    if (fault->code)
        answer_problem(call, 502, "step-failed",
                       "The owner's command did not set the step", fault->text);
    else
        answer(call, 200, json_object());
    free_call_when_idle(call);
}

static void serve_step(struct call *call, json_t *body)
{
    struct service *service = call->service;
    struct fault fault = { 0 };
    const char *name = json_string_value(json_object_get(body, "name"));

    if (!name || json_object_size(body) != 1) {
        answer_mistake(call, "name: found something else than "
                             "{\"name\": STEP}, expected just that");
        return;
    }
    if (service->step_call) {
        answer_problem(call, 409, "busy", "This agent is busy",
                       "another step is being set; wait for it");
        return;
    }
    if (step_start(service->loop, service->config, name, on_step_done, call,
                   &call->change, &fault)
        < 0) {
        const bool is_ours = fault.code != UV_ENOSYS && fault.code != UV_EINVAL;

        answer_problem(call, is_ours ? 502 : 403,
                       is_ours ? "step-failed" : "step-not-allowed",
                       is_ours ? "The owner's command did not set the step"
                               : "The owner does not allow that",
                       fault.text);
        return;
    }
    service->step_call = call;
    log_info("step: setting '%s'", name);
}

/* --- exchanges ------------------------------------------------------------ */

/* The account as it is in the spool; NULL: it can't be read. */
static json_t *read_account(const struct call *call, const char *id)
{
    char *text = NULL;
    size_t text_bytes = 0;
    const int result = spool_get(call->service->spool, id, &text, &text_bytes);
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
    answer(call, 200,
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
        answer_state(call, 201, ACCOUNT_ARMED);
        return;
    case ROSTER_TOLD_BEFORE:
        if (roster_find(call->service->roster, order->id, &state)
            == ROSTER_READY)
            answer_ready_state(call, order->id);
        else
            answer_state(call, 200, state);
        return;
    case ROSTER_REFUSED:
        answer_problem(call, 422, "order", "The order can't be carried out",
                       fault->text);
        return;
    case ROSTER_BUSY:
        answer_problem(call, 409, "busy", "This agent is busy", fault->text);
        return;
    case ROSTER_CONFLICT:
        answer_problem(call, 409, "conflict", "The id is taken", fault->text);
        return;
    }
}

static void serve_put_exchange(struct call *call, json_t *body)
{
    struct exchange_order order = { 0 };
    struct fault fault = { 0 };

    if (order_decode(body, &order, &fault) < 0) {
        answer_problem(call, 422, "order", "The order can't be carried out",
                       fault.text);
        return;
    }
    if (strcmp(order.id, call->rest) != 0) {
        answer_mistake(call, "id: found another than in the path, expected "
                             "the same");
        return;
    }
    const enum roster_answer taken =
        roster_take(call->service->roster, &order, &fault);
    answer_taken(call, &order, taken, &fault);
}

static void answer_account(const struct call *call, const char *id)
{
    json_t *account = read_account(call, id);

    if (account)
        answer(call, 200, account);
    else
        answer_problem(call, 500, "spool", "The account can't be read",
                       "its file in the spool is spoilt");
}

static void answer_unknown(const struct call *call)
{
    answer_problem(call, 404, "unknown", "There is no such exchange",
                   "this agent was not told of an exchange of that id, or its "
                   "account was acknowledged and dropped");
}

static void answer_where_it_stands(const struct call *call, const char *id)
{
    enum account_state state = ACCOUNT_ARMED;

    switch (roster_find(call->service->roster, id, &state)) {
    case ROSTER_UNKNOWN:
        answer_unknown(call);
        return;
    case ROSTER_UNDER_WAY:
        answer_state(call, 202, state);
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
    answer_where_it_stands(call, call->rest);
}

/* The first wake-up of its id answers; the timer does where none comes. */
static void wait_for(struct call *call, bool is_cancel, uint64_t wait_ms)
{
    memcpy(call->wait_id, call->rest, sizeof(call->rest));
    call->wait_is_cancel = is_cancel;
    (void) uv_timer_init(call->service->loop, &call->timer);
    call->timer.data = call;
    call->has_timer = true;
    (void) uv_timer_start(&call->timer, on_waited, wait_ms, 0);
}

static void serve_get_exchange(struct call *call, json_t *body)
{
    enum account_state state = ACCOUNT_ARMED;
    uint64_t wait_ms = 0;

    (void) body;
    if (query_whole(http_query(call->request), "wait_ms", LONGEST_WAIT_MS,
                    &wait_ms)
        == QUERY_WRONG) {
        answer_mistake(call, "wait_ms: found what can't be, expected "
                             "milliseconds, up to 600000");
        return;
    }
    if (wait_ms > 0
        && roster_find(call->service->roster, call->rest, &state)
               == ROSTER_UNDER_WAY)
        wait_for(call, false, wait_ms);
    else
        answer_where_it_stands(call, call->rest);
}

static void serve_delete_exchange(struct call *call, json_t *body)
{
    enum account_state state = ACCOUNT_ARMED;

    (void) body;
    switch (roster_find(call->service->roster, call->rest, &state)) {
    case ROSTER_UNKNOWN:
        answer_unknown(call);
        return;
    case ROSTER_UNDER_WAY:
        wait_for(call, true, LONGEST_WAIT_MS);
        roster_cancel(call->service->roster, call->rest);
        return;
    case ROSTER_READY:
        answer_ready_state(call, call->rest);
        return;
    }
}

static void add_id(void *owner, const char *id)
{
    (void) json_array_append_new(owner, json_string(id));
}

static void serve_list(struct call *call, json_t *body)
{
    json_t *ids = mem_checked(json_array());

    (void) body;
    spool_each(call->service->spool, false, add_id, ids);
    answer(call, 200, json_pack("{s:o}", "ids", ids));
}

/* An account can be had: wake who waits for it. */
static void on_ready(void *owner, const char *id)
{
    struct service *service = owner;

    for (struct call *call = service->calls; call; call = call->next) {
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

/* --- requests ------------------------------------------------------------- */

struct route {
    const char *method;
    const char *path; /* ends in '/': an id follows */
    void (*serve)(struct call *call, json_t *body);
    bool has_body;
    const char *queries[6]; /* NULL-terminated */
};

/* clang-format off */
static const struct route routes[] = {
    { "GET", "/self", serve_self, false, { "ack", NULL } },
    { "GET", "/way", serve_way, false, { "ack", "to", "from", "interface", "bytes", NULL } },
    { "PUT", "/exchanges/", serve_put_exchange, true, { "ack", NULL } },
    { "GET", "/exchanges/", serve_get_exchange, false, { "ack", "wait_ms", NULL } },
    { "DELETE", "/exchanges/", serve_delete_exchange, false, { "ack", NULL } },
    { "GET", "/exchanges", serve_list, false, { "ack", NULL } },
    { "PUT", "/step", serve_step, true, { "ack", NULL } },
};
/* clang-format on */

static bool path_fits(const struct route *route, const char *path,
                      const char **ret_rest)
{
    const size_t length = strlen(route->path);

    *ret_rest = "";
    if (route->path[length - 1] != '/')
        return strcmp(route->path, path) == 0;
    if (strncmp(route->path, path, length) != 0)
        return false;
    *ret_rest = path + length;
    return spool_id_is_right(*ret_rest);
}

/* Finds the route; false: answered, there is none. */
static bool find_route(struct call *call)
{
    const char *path = http_path(call->request);
    bool is_path_known = false;

    for (size_t i = 0; i < COUNT_OF(routes); i++) {
        const char *rest = NULL;

        if (!path_fits(&routes[i], path, &rest))
            continue;
        is_path_known = true;
        if (strcmp(routes[i].method, http_method(call->request)) == 0) {
            call->route = &routes[i];
            (void) snprintf(call->rest, sizeof(call->rest), "%s", rest);
            return true;
        }
    }
    char detail[160];
    (void) snprintf(detail, sizeof(detail),
                    "found %s %.80s, expected a request of the control "
                    "protocol (DEVELOPERS.md)",
                    http_method(call->request), path);
    if (is_path_known)
        answer_problem(call, 405, "method", "Not with that method", detail);
    else
        answer_problem(call, 404, "unknown", "There is no such place", detail);
    return false;
}

static void take_data_request(struct service *service,
                              struct http_request *request)
{
    const char *ticket = http_path(request) + strlen(DATA_PATH);
    char room[ID_SIZE];
    const int length = snprintf(room, sizeof(room), "%.*s",
                                (int) strcspn(ticket, "/"), ticket);
    struct exchange *exchange = length > 0 && length < ID_SIZE
                                    ? roster_by_ticket(service->roster, room)
                                    : NULL;
    if (!exchange) {
        exchange_refuse(request, 404, "ticket",
                        "no exchange under way here has that ticket");
        return;
    }
    struct data_call *data_call = mem_new(struct data_call);
    data_call->request = request;
    data_call->exchange = exchange;
    data_call->next = service->data_calls;
    service->data_calls = data_call;
    exchange_data_request(exchange, request);
}

/* A body is asked for only in a length that is known and within the limit. */
static bool has_right_length(const struct call *call)
{
    const char *length = http_header(call->request, "Content-Length");
    char detail[120];

    if (http_header(call->request, "Transfer-Encoding")) {
        answer_problem(call, 411, "length", "The length must be told",
                       "found a chunked body, expected Content-Length");
        return false;
    }
    if (length && strtoull(length, NULL, 10) > BODY_MOST_BYTES) {
        (void) snprintf(detail, sizeof(detail),
                        "found %.20s bytes, expected at most %zu", length,
                        BODY_MOST_BYTES);
        answer_problem(call, 413, "too-large", "The body is too large", detail);
        return false;
    }
    return true;
}

static void on_head(void *owner, struct http_request *request)
{
    struct service *service = owner;
    struct gate_pass *pass = NULL;

    http_set_data(request, NULL);
    if (strncmp(http_path(request), DATA_PATH, strlen(DATA_PATH)) == 0) {
        take_data_request(service, request);
        return;
    }
    pass = gate_check_head(service->gate, request);
    if (!pass)
        return;
    struct call *call = add_call(service, request, pass);
    if (has_right_length(call))
        http_want_body(request, BODY_MOST_BYTES);
}

static void drop_acknowledged(struct service *service, const char *list)
{
    while (*list) {
        const size_t length = strcspn(list, ",");
        enum account_state state = ACCOUNT_ARMED;
        char id[ID_SIZE];

        (void) snprintf(id, sizeof(id), "%.*s",
                        (int) (length < ID_SIZE ? length : 0), list);
        /* What is still under way has no account to drop. */
        if (roster_find(service->roster, id, &state) == ROSTER_READY) {
            spool_drop(service->spool, id);
            log_debug("spool: '%s' acknowledged and dropped", id);
        }
        list += length + (list[length] == ',');
    }
}

/* The query: names known, acknowledged accounts dropped. */
static bool take_query(const struct call *call)
{
    const char *query = http_query(call->request);
    char list[ID_SIZE * ROSTER_EXCHANGES_MAX];
    char detail[160];
    char unknown[64];

    if (query_has_unknown(query, call->route->queries, unknown,
                          sizeof(unknown))) {
        (void) snprintf(detail, sizeof(detail),
                        "query: found '%s', expected only what %s %s knows",
                        unknown, call->route->method, call->route->path);
        answer_mistake(call, detail);
        return false;
    }
    switch (query_text(query, "ack", list, sizeof(list))) {
    case QUERY_ABSENT:
        return true;
    case QUERY_FOUND:
        drop_acknowledged(call->service, list);
        return true;
    case QUERY_WRONG:
        break;
    }
    answer_mistake(call, "ack: found what can't be read, expected ids parted "
                         "by commas");
    return false;
}

/* False: answered, it is not of the kind that the route takes. */
static bool is_right_body(const struct call *call, const json_t *body)
{
    if (!call->route->has_body) {
        if (body)
            answer_mistake(call, "body: found one, expected none");
        return !body;
    }
    const char *type = http_header(call->request, "Content-Type");
    if (!type || strcmp(type, BODY_TYPE_JSON) != 0) {
        answer_problem(call, 415, "type", "The body is of another type",
                       "content-type: expected " BODY_TYPE_JSON);
        return false;
    }
    if (!json_is_object(body))
        answer_mistake(call, "body: found something else, expected an object");
    return json_is_object(body);
}

static void serve(struct call *call, json_t *body)
{
    if (!find_route(call) || !take_query(call) || !is_right_body(call, body))
        return;
    if (call->service->is_closing)
        answer_problem(call, 503, "ending", "This agent is ending",
                       "it was told to end");
    else
        call->route->serve(call, body);
}

static void on_body(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes)
{
    struct call *call = http_data(request);
    struct fault fault = { 0 };
    json_t *json = NULL;

    (void) owner;
    if (gate_check_body(call->pass, body, body_bytes, &json, &fault) < 0)
        answer_problem(call, 400, "body", "The body can't be taken",
                       fault.text);
    else
        serve(call, json);
    json_decref(json);
}

/* True: it was a data connection's. */
static bool end_data_request(struct service *service,
                             struct http_request *request)
{
    for (struct data_call **link = &service->data_calls; *link;
         link = &(*link)->next) {
        struct data_call *data_call = *link;

        if (data_call->request != request)
            continue;
        struct exchange *exchange = data_call->exchange;
        *link = data_call->next;
        free(data_call);
        exchange_data_gone(exchange, request);
        return true;
    }
    return false;
}

static void on_gone(void *owner, struct http_request *request)
{
    if (end_data_request(owner, request))
        return;
    struct call *call = http_data(request);
    if (!call)
        return;
    call->request = NULL;
    call->wait_id[0] = '\0';
    free_call_when_idle(call);
}

/* --- the UDP port --------------------------------------------------------- */

/* Identifications are heard, and never answered. */
static void take_datagram(const struct service *service, const char *text,
                          size_t text_bytes, const struct sockaddr *from)
{
    enum identify_moment moment = IDENTIFY_BEGIN;
    char id[ID_SIZE];

    if (identify_read(text, text_bytes, id, &moment) < 0)
        return;
    struct exchange *exchange = roster_by_id(service->roster, id);
    if (exchange)
        exchange_heard(exchange, from, text, text_bytes);
}

static void on_datagram(uv_poll_t *poll, int status, int events)
{
    const struct ear *ear = poll->data;

    (void) events;
    if (status < 0)
        return;
    for (unsigned i = 0; i < DATAGRAMS_PER_TURN; i++) {
        struct sockaddr_storage from = { 0 };
        socklen_t from_bytes = sizeof(from);
        char text[2048];
        const ssize_t got = recvfrom(ear->fd, text, sizeof(text), 0,
                                     (struct sockaddr *) &from, &from_bytes);
        if (got < 0)
            return;
        take_datagram(ear->service, text, (size_t) got,
                      (const struct sockaddr *) &from);
    }
}

/* --- closing -------------------------------------------------------------- */

void service_close(struct service *service, void (*on_closed)(void *owner),
                   void *owner)
{
    if (service->is_closing)
        return;
    service->is_closing = true;
    service->on_closed = on_closed;
    service->owner = owner;
    for (struct call *call = service->calls, *next; call; call = next) {
        next = call->next;
        if (call->way)
            way_cancel(call->way);
        if (call->change)
            step_cancel(call->change);
    }
    /* The HTTP server goes last: exchanges hear of their connections' end. */
    roster_close(service->roster, on_roster_closed);
}

static void on_roster_closed(void *owner)
{
    const struct service *service = owner;

    http_close(service->http, on_http_closed);
}

static void on_http_closed(void *owner)
{
    struct service *service = owner;
    struct ear *const ears[] = { &service->ear4, &service->ear6 };

    for (size_t i = 0; i < COUNT_OF(ears); i++) {
        if (ears[i]->fd >= 0)
            uv_close((uv_handle_t *) &ears[i]->poll, on_ear_closed);
    }
}

static void on_ear_closed(uv_handle_t *handle)
{
    const struct ear *ear = handle->data;
    struct service *service = ear->service;
    void (*on_closed)(void *) = service->on_closed;
    void *owner = service->owner;

    if (--service->open_ears > 0)
        return;
    free_service(service);
    if (on_closed)
        on_closed(owner);
}
