/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/service.h"

#include "agent/exchanges/identify.h"
#include "agent/log.h"
#include "agent/loopback.h"
#include "agent/memory.h"
#include "agent/ports.h"
#include "agent/serve.h"
#include "agent/stamped.h"
#include "agent/step.h"
#include "agent/way.h"

#include <assert.h>
#include <string.h>

#define BODY_MOST_BYTES    ((size_t) 64 * 1024)
#define DATA_PATH          "/data/"
#define DATAGRAMS_PER_TURN 16

/* A UDP socket of the agent. */
struct ear {
    struct service *service;
    uv_poll_t poll;
    struct stamped stamped;
    int fd; /* -1: none */
};

/* A request on a data connection: the exchange's, which hears of its end. */
struct data_call {
    struct data_call *next;
    struct http_request *request;
    struct exchange *exchange;
};

struct service {
    struct desk desk;
    struct ports ports;
    struct ear ear4, ear6;
    unsigned open_ears;
    bool is_http_closed;
    struct data_call *data_calls;
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
static void on_idle(struct desk *desk);
static void free_when_idle(struct service *service);

static const struct http_owner http_owner = { on_head, on_body, on_gone };

/* --- opening -------------------------------------------------------------- */

static void listen_with(struct service *service, struct ear *ear, int fd,
                        int family)
{
    ear->service = service;
    ear->fd = fd;
    if (fd < 0)
        return;
    const int result = uv_poll_init(service->desk.loop, &ear->poll, fd);
    assert(result == 0);
    (void) result;
    ear->poll.data = ear;
    stamped_listen(&ear->stamped, fd, family);
    (void) uv_poll_start(&ear->poll, UV_READABLE, on_datagram);
    service->open_ears++;
}

static void free_service(struct service *service)
{
    spool_close(service->desk.spool);
    gate_close(service->desk.gate);
    ports_close_udp(&service->ports);
    free(service);
}

static int open_parts(struct service *service, const struct service_site *site,
                      struct fault *fault)
{
    struct desk *desk = &service->desk;
    int result = gate_open(site->key_file, &desk->gate, fault);

    if (result == 0)
        result =
            spool_open(site->loop, site->spool_folder, &desk->spool, fault);
    if (result < 0)
        return result;
    const struct ports_wish wish = {
        .loop = site->loop,
        .addresses = site->addresses,
        .address_count = site->address_count,
        .port = site->port,
        .has_key = gate_has_key(desk->gate),
        .handler = &http_owner,
        .owner = service,
    };
    result = ports_open(&wish, &service->ports, fault);
    if (result < 0)
        return result;
    desk->port = http_port(service->ports.http);
    return 0;
}

int service_open(const struct service_site *site, struct service **ret_service,
                 struct fault *fault)
{
    struct service *service = mem_new(struct service);

    service->desk.loop = site->loop;
    service->desk.config = site->config;
    service->desk.name = site->name;
    service->desk.loopback_bps = loopback_measure();
    service->desk.on_idle = on_idle;
    service->ports.udp4 = service->ports.udp6 = -1;
    const int result = open_parts(service, site, fault);
    if (result < 0) {
        free_service(service);
        return result;
    }
    listen_with(service, &service->ear4, service->ports.udp4, AF_INET);
    listen_with(service, &service->ear6, service->ports.udp6, AF_INET6);
    const struct exchange_site exchange_site = {
        .loop = site->loop,
        .udp4 = service->ports.udp4,
        .udp6 = service->ports.udp6,
        .port = service->desk.port,
        .urls = site->config->urls,
        .url_count = site->config->url_count,
    };
    service->desk.roster = roster_open(&exchange_site, service->desk.spool,
                                       site->config, on_ready, service);
    roster_recover(service->desk.roster);
    *ret_service = service;
    return 0;
}

uint16_t service_port(const struct service *service)
{
    return service->desk.port;
}

const char *service_addresses(const struct service *service)
{
    return service->ports.addresses;
}

/* --- requests ------------------------------------------------------------- */

static void take_data_request(struct service *service,
                              struct http_request *request)
{
    const char *ticket = http_path(request) + strlen(DATA_PATH);
    char room[ID_SIZE];
    const int length = snprintf(room, sizeof(room), "%.*s",
                                (int) strcspn(ticket, "/"), ticket);
    struct exchange *exchange =
        length > 0 && length < ID_SIZE
            ? roster_by_ticket(service->desk.roster, room)
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
        call_answer_problem(call, 411, "length", "The length must be told",
                            "found a chunked body, expected Content-Length");
        return false;
    }
    if (length && strtoull(length, NULL, 10) > BODY_MOST_BYTES) {
        (void) snprintf(detail, sizeof(detail),
                        "found %.20s bytes, expected at most %zu", length,
                        BODY_MOST_BYTES);
        call_answer_problem(call, 413, "too-large", "The body is too large",
                            detail);
        return false;
    }
    return true;
}

static void on_head(void *owner, struct http_request *request)
{
    struct service *service = owner;

    http_set_data(request, NULL);
    if (strncmp(http_path(request), DATA_PATH, strlen(DATA_PATH)) == 0) {
        take_data_request(service, request);
        return;
    }
    struct gate_pass *pass = gate_check_head(service->desk.gate, request);
    if (!pass)
        return;
    const struct call *call = call_new(&service->desk, request, pass);
    if (has_right_length(call))
        http_want_body(request, BODY_MOST_BYTES);
}

static void on_body(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes)
{
    struct call *call = http_data(request);
    struct fault fault = { 0 };
    json_t *json = NULL;

    (void) owner;
    if (gate_check_body(call->pass, body, body_bytes, &json, &fault) < 0)
        call_answer_problem(call, 400, "body", "The body can't be taken",
                            fault.text);
    else
        serve_request(call, json);
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
    if (call)
        call_gone(call);
}

static void on_ready(void *owner, const char *id)
{
    const struct service *service = owner;

    serve_waiting(&service->desk, id);
}

/* --- the UDP port --------------------------------------------------------- */

/* Identifications are heard, and never answered; what else comes is for the
 * exchanges to judge. */
static void take_datagram(const struct service *service,
                          const struct stamped_event *event, const char *text)
{
    enum identify_moment moment = IDENTIFY_BEGIN;
    char id[ID_SIZE];

    if (identify_read(text, event->byte_count, id, &moment) < 0) {
        roster_offer_datagram(service->desk.roster, event, text);
        return;
    }
    struct exchange *exchange = roster_by_id(service->desk.roster, id);
    if (exchange)
        exchange_heard(exchange, (const struct sockaddr *) &event->from, text,
                       event->byte_count);
}

static void on_datagram(uv_poll_t *poll, int status, int events)
{
    struct ear *ear = poll->data;

    (void) events;
    if (status < 0) /* libuv gave up over a pending error, which is read now */
        (void) uv_poll_start(poll, UV_READABLE, on_datagram);
    for (unsigned i = 0; i < DATAGRAMS_PER_TURN; i++) {
        struct stamped_event event;
        char text[2048];

        if (stamped_next(&ear->stamped, text, sizeof(text), &event) <= 0)
            return;
        if (event.kind == STAMPED_ARRIVED)
            take_datagram(ear->service, &event, text);
    }
}

/* --- closing -------------------------------------------------------------- */

void service_close(struct service *service, void (*on_closed)(void *owner),
                   void *owner)
{
    if (service->desk.is_closing)
        return;
    service->desk.is_closing = true;
    service->on_closed = on_closed;
    service->owner = owner;
    for (struct call *call = service->desk.calls, *next; call; call = next) {
        next = call->next;
        if (call->way)
            way_cancel(call->way);
        if (call->change)
            step_cancel(call->change);
    }
    /* The HTTP server goes last: exchanges hear of their connections' end. */
    roster_close(service->desk.roster, on_roster_closed);
}

static void on_roster_closed(void *owner)
{
    const struct service *service = owner;

    http_close(service->ports.http, on_http_closed);
}

static void on_http_closed(void *owner)
{
    struct service *service = owner;
    struct ear *const ears[] = { &service->ear4, &service->ear6 };

    service->is_http_closed = true;
    for (size_t i = 0; i < COUNT_OF(ears); i++) {
        if (ears[i]->fd >= 0)
            uv_close((uv_handle_t *) &ears[i]->poll, on_ear_closed);
    }
}

static void on_ear_closed(uv_handle_t *handle)
{
    const struct ear *ear = handle->data;

    ear->service->open_ears--;
    free_when_idle(ear->service);
}

static void on_idle(struct desk *desk)
{
    /* The desk is the service's first member. */
    free_when_idle((struct service *) desk);
}

/* A step's command, or the timer of a long poll, may close last. */
static void free_when_idle(struct service *service)
{
    void (*on_closed)(void *) = service->on_closed;
    void *owner = service->owner;

    if (!service->is_http_closed || service->open_ears > 0
        || service->desk.calls)
        return;
    free_service(service);
    if (on_closed)
        on_closed(owner);
}
