/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/exchange.h"

#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/facts.h"
#include "agent/exchanges/identify.h"
#include "agent/exchanges/wake.h"
#include "agent/http.h"
#include "agent/memory.h"
#include "agent/netinfo.h"
#include "agent/sockets.h"

#include <assert.h>
#include <bothends/kinds.h>

/* An order that came over a slow link may be a little late; one that is later
 * than this is of another time. */
#define LATE_MOST_NS (5 * NS_PER_S)
/* Data requests that are open at once, refused ones among them. */
#define REQUESTS_MAX 64
#define WAKE_COUNT   4
/* The other end may begin a little sooner than its clock was thought to say. */
#define QUIET_END_NS (100 * NS_PER_MS)

struct exchange {
    struct exchange_site site;
    struct exchange_order order;
    const struct exchange_part *part;
    void *part_state; /* the part's own */
    exchange_end_fn *on_end;
    void *owner; /* borrowed */
    struct exchange_account account;

    struct sockaddr_storage peer, own, identify_to;
    bool has_own, has_identify_to;
    unsigned tied_index; /* of the interface; 0: not tied */

    uint64_t start_ns;
    struct wake quiet, start, stop, identify;
    size_t open_wake_count;
    bool is_begun, peer_has_ended;
    bool is_finished; /* by the part */
    bool is_closing;
    enum account_state ending; /* ACCOUNT_RUNNING: nothing has ended it */
    struct facts facts;

    struct http_request *requests[REQUESTS_MAX]; /* borrowed until gone */
    size_t request_count;
};

/* The flow, top to bottom. */
static int check_order(struct exchange *exchange, struct fault *fault);
static int init_wakes(struct exchange *exchange);
static int check_times(uint64_t start_ns, uint64_t stop_ns,
                       struct fault *fault);
static void set_times(struct exchange *exchange, uint64_t start_ns,
                      uint64_t stop_ns);
static void on_quiet(void *owner);
static void on_start(void *owner);
static void on_identify(void *owner);
static void on_stop(void *owner);
static void end_by(struct exchange *exchange, enum account_state ending);
static void close_when_free(struct exchange *exchange);
static void on_wake_closed(void *owner);
static void discard(struct exchange *exchange);

/* --- arming -------------------------------------------------------------- */

static const struct exchange_part *find_part(const char *kind, const char *part)
{
    for (size_t i = 0; i < exchange_part_count; i++) {
        if (strcmp(exchange_parts[i]->kind->name, kind) == 0
            && strcmp(exchange_parts[i]->part, part) == 0)
            return exchange_parts[i];
    }
    return NULL;
}

int exchange_arm(const struct exchange_site *site,
                 const struct exchange_order *order, exchange_end_fn *on_end,
                 void *owner, struct exchange **ret_exchange,
                 struct fault *fault)
{
    const struct exchange_part *part = find_part(order->kind, order->part);

    if (!part)
        return fault_set(fault, UV_EINVAL,
                         "this agent knows no kind '%s' with a part '%s'",
                         order->kind, order->part);
    struct exchange *exchange = mem_new(struct exchange);
    exchange->site = *site;
    exchange->order = *order;
    exchange->part = part;
    exchange->on_end = on_end;
    exchange->owner = owner;
    exchange->ending = ACCOUNT_RUNNING;
    account_init(&exchange->account, part->kind);
    memcpy(exchange->account.id, order->id, sizeof(order->id));
    memcpy(exchange->account.part, order->part, sizeof(order->part));

    int status = check_order(exchange, fault);
    if (status == 0)
        status = init_wakes(exchange);
    if (status == 0)
        status = part->arm(exchange, &exchange->part_state, fault);
    if (status != 0) {
        discard(exchange);
        return fault_set(fault, status, "cannot take part: %s",
                         uv_strerror(status));
    }
    set_times(exchange, order->start_ns, order->stop_ns);
    *ret_exchange = exchange;
    return 0;
}

static int read_address(const char *text, uint64_t port, const char *key,
                        struct sockaddr_storage *ret_address,
                        struct fault *fault)
{
    struct fault why = { 0 };
    const int status = sockets_parse(text, (uint16_t) port, ret_address, &why);

    if (status != 0)
        return fault_set(fault, status, "%s: %s", key, why.text);
    return 0;
}

static int read_addresses(struct exchange *exchange, struct fault *fault)
{
    const struct exchange_order *order = &exchange->order;
    int status = read_address(order->peer_address, order->peer_port,
                              "peer_address", &exchange->peer, fault);

    exchange->has_own = order->own_address[0] != '\0';
    if (status == 0 && exchange->has_own)
        status = read_address(order->own_address, 0, "own_address",
                              &exchange->own, fault);
    exchange->has_identify_to = order->identify_to[0] != '\0';
    if (status == 0 && exchange->has_identify_to)
        status = read_address(order->identify_to, order->identify_port,
                              "identify_to", &exchange->identify_to, fault);
    return status;
}

static int check_own_address(const struct exchange *exchange,
                             struct fault *fault)
{
    if (!exchange->has_own)
        return 0;
    if (exchange->own.ss_family != exchange->peer.ss_family)
        return fault_set(fault, UV_EINVAL,
                         "own_address: found %s, expected an IPv%d address "
                         "like that of the other end, %s",
                         exchange->order.own_address,
                         exchange->peer.ss_family == AF_INET6 ? 6 : 4,
                         exchange->order.peer_address);
    if (!address_is_own(exchange_own(exchange)))
        return fault_set(fault, UV_EADDRNOTAVAIL,
                         "own_address: %s is not an address of this computer",
                         exchange->order.own_address);
    return 0;
}

static int check_way(struct exchange *exchange, struct fault *fault)
{
    const char *tied_to = exchange->order.interface;
    struct netinfo_counters counters;
    struct netinfo_route route;

    if (tied_to[0] && netinfo_counters(tied_to, &counters) != 0)
        return fault_set(fault, UV_ENODEV,
                         "interface: there is no '%s' on this computer",
                         tied_to);
    exchange->facts.interface = tied_to;
    const int status =
        netinfo_route(exchange_peer(exchange), exchange_own(exchange), tied_to,
                      &route, tied_to[0] ? NULL : fault);
    if (tied_to[0] && (status != 0 || strcmp(route.interface, tied_to) != 0))
        return fault_set(fault, UV_EHOSTUNREACH,
                         "there is no way to %s by %s, to which this end is "
                         "tied",
                         exchange->order.peer_address, tied_to);
    if (status != 0)
        return status;
    if (tied_to[0])
        exchange->tied_index = route.interface_index;
    return 0;
}

int exchange_follow_routes(struct exchange *exchange, const char *why,
                           struct fault *fault)
{
    const char *tied_to = exchange->order.interface;
    struct netinfo_route route;

    exchange->facts.interface = "";
    if (!tied_to[0])
        return 0;
    const int status = netinfo_route(exchange_peer(exchange),
                                     exchange_own(exchange), "", &route, fault);
    if (status == 0 && strcmp(route.interface, tied_to) != 0)
        return fault_set(fault, UV_EHOSTUNREACH,
                         "the way to %s goes by %s, not by %s to which this "
                         "end is tied, and %s",
                         exchange->order.peer_address, route.interface, tied_to,
                         why);
    return status;
}

static int check_order(struct exchange *exchange, struct fault *fault)
{
    const struct exchange_order *order = &exchange->order;
    const char *objection = exchange->part->kind->objection(&order->spec);

    if (objection)
        return fault_set(fault, UV_EINVAL, "spec: %s", objection);
    int status = check_times(order->start_ns, order->stop_ns, fault);
    if (status == 0)
        status = read_addresses(exchange, fault);
    if (status == 0)
        status = check_own_address(exchange, fault);
    if (status == 0)
        status = check_way(exchange, fault);
    return status;
}

static int init_wakes(struct exchange *exchange)
{
    struct wake *const wakes[WAKE_COUNT] = { &exchange->quiet, &exchange->start,
                                             &exchange->stop,
                                             &exchange->identify };
    wake_fn *const calls[WAKE_COUNT] = { on_quiet, on_start, on_stop,
                                         on_identify };

    for (size_t i = 0; i < WAKE_COUNT; i++) {
        const int status =
            wake_init(wakes[i], exchange->site.loop, calls[i], exchange);
        if (status != 0)
            return status;
        exchange->open_wake_count++;
    }
    return 0;
}

static int check_times(uint64_t start_ns, uint64_t stop_ns, struct fault *fault)
{
    const uint64_t now_ns = clock_now_ns();

    if (start_ns + LATE_MOST_NS <= now_ns)
        return fault_set(
            fault, UV_EINVAL,
            "start_ns: found a time that was %.1f s ago, expected one ahead",
            (double) (now_ns - start_ns) / 1e9);
    if (stop_ns <= start_ns || stop_ns <= now_ns)
        return fault_set(
            fault, UV_EINVAL,
            "stop_ns: found %llu, expected a time ahead and after start_ns",
            (unsigned long long) stop_ns);
    return 0;
}

static void set_times(struct exchange *exchange, uint64_t start_ns,
                      uint64_t stop_ns)
{
    const uint64_t now_ns = clock_now_ns();

    exchange->order.start_ns = start_ns;
    exchange->order.stop_ns = stop_ns;
    exchange->start_ns = start_ns > now_ns ? start_ns : now_ns;
    exchange->facts.quiet_from_ns = exchange->account.quiet_ns = 0;
    if (exchange->start_ns > now_ns + QUIET_NS)
        wake_set(&exchange->quiet, exchange->start_ns - QUIET_NS);
    else
        wake_unset(&exchange->quiet);
    wake_set(&exchange->start, exchange->start_ns);
    wake_set(&exchange->stop, stop_ns);
}

/* The answer to an order was lost, this end began, and the others were told a
 * later start. */
static bool unbegin(struct exchange *exchange)
{
    if (!exchange->part->unbegin
        || !exchange->part->unbegin(exchange, exchange->part_state))
        return false;
    exchange->is_begun = false;
    exchange->account.begun_ns = 0;
    exchange->account.state = ACCOUNT_ARMED;
    wake_unset(&exchange->identify);
    return true;
}

int exchange_reschedule(struct exchange *exchange, uint64_t start_ns,
                        uint64_t stop_ns)
{
    if (exchange->is_finished || exchange->ending != ACCOUNT_RUNNING)
        return UV_EALREADY;
    const int status = check_times(start_ns, stop_ns, NULL);
    if (status != 0)
        return status;
    if (exchange->is_begun && !unbegin(exchange))
        return UV_EALREADY;
    set_times(exchange, start_ns, stop_ns);
    return 0;
}

/* --- beginning ----------------------------------------------------------- */

/* An identification that can't be sent doesn't end the exchange: it is a fact
 * for the report, and the licence holder decides. */
static void identify(struct exchange *exchange, enum identify_moment moment)
{
    const struct sockaddr *to =
        (const struct sockaddr *) &exchange->identify_to;
    char text[IDENTIFY_TEXT_SIZE];
    size_t ip_bytes = 0;

    if (!exchange->has_identify_to)
        return;
    const int udp =
        to->sa_family == AF_INET6 ? exchange->site.udp6 : exchange->site.udp4;
    const size_t text_bytes = identify_write(&exchange->order, moment, text);
    const int status = udp < 0 ? UV_ENOTCONN
                               : identify_send(udp, to, exchange_own(exchange),
                                               exchange->tied_index, text,
                                               text_bytes, &ip_bytes);
    if (status != 0) {
        exchange_note(exchange, "cannot send the identification to %s: %s",
                      exchange->order.identify_to, uv_strerror(status));
        return;
    }
    exchange->account.identification_count++;
    exchange->account.identification_bytes += ip_bytes;
}

static void set_next_identification(struct exchange *exchange)
{
    const uint64_t every_ns = exchange->order.identify_every_ns;

    if (!every_ns || !exchange->has_identify_to)
        return;
    const uint64_t passed_ns = clock_now_ns() - exchange->start_ns;
    wake_set(&exchange->identify,
             exchange->start_ns + (passed_ns / every_ns + 1) * every_ns);
}

static void on_identify(void *owner)
{
    struct exchange *exchange = owner;

    if (exchange->is_finished)
        return;
    identify(exchange, IDENTIFY_DURING);
    set_next_identification(exchange);
}

/* Twice: silence in between, so what the interface carries is foreign. */
static void on_quiet(void *owner)
{
    struct exchange *exchange = owner;

    if (exchange->is_begun || exchange->ending != ACCOUNT_RUNNING)
        return;
    exchange->facts.peer = exchange_peer(exchange);
    exchange->facts.own = exchange_own(exchange);
    facts_quiet(&exchange->facts, &exchange->account);
    if (!exchange->account.quiet_ns
        && exchange->start_ns > clock_now_ns() + QUIET_END_NS)
        wake_set(&exchange->quiet, exchange->start_ns - QUIET_END_NS);
}

static void on_start(void *owner)
{
    struct exchange *exchange = owner;

    if (exchange->ending != ACCOUNT_RUNNING)
        return;
    exchange->is_begun = true;
    exchange->facts.peer = exchange_peer(exchange);
    exchange->facts.own = exchange_own(exchange);
    exchange->account.state = ACCOUNT_RUNNING;
    exchange->account.begun_ns = clock_now_ns();
    facts_before(&exchange->facts, &exchange->account);
    identify(exchange, IDENTIFY_BEGIN);
    set_next_identification(exchange);
    exchange->part->begin(exchange, exchange->part_state);
    /* It may have been heard before our own clock said start. */
    if (exchange->peer_has_ended && exchange->part->peer_ended)
        exchange->part->peer_ended(exchange, exchange->part_state);
}

/* --- what comes in ------------------------------------------------------- */

void exchange_heard(struct exchange *exchange, const struct sockaddr *from,
                    const char *text, size_t text_bytes)
{
    enum identify_moment moment;
    char id[ID_SIZE];

    if (identify_read(text, text_bytes, id, &moment) != 0
        || strcmp(id, exchange->order.id) != 0 || moment != IDENTIFY_END
        || !address_is_same_host(from, exchange_peer(exchange)))
        return;
    if (exchange->peer_has_ended || exchange->is_finished)
        return;
    exchange->peer_has_ended = true;
    if (exchange->is_begun && exchange->part->peer_ended)
        exchange->part->peer_ended(exchange, exchange->part_state);
}

bool exchange_datagram(struct exchange *exchange,
                       const struct stamped_event *event, const void *bytes)
{
    if (exchange->is_finished || !exchange->part->datagram)
        return false;
    return exchange->part->datagram(exchange, exchange->part_state, event,
                                    bytes);
}

void exchange_refuse(struct http_request *request, unsigned status,
                     const char *word, const char *detail)
{
    static const struct http_field fields[] = {
        { "Content-Type", "application/problem+json" },
    };
    char body[400];
    const int body_bytes = snprintf(
        body, sizeof(body),
        "{\"type\":\"tag:bothends,2026:%s\",\"status\":%u,\"detail\":\"%s\"}",
        word, status, detail);

    http_reply(request, status, fields, COUNT_OF(fields), body,
               (size_t) body_bytes);
}

void exchange_data_request(struct exchange *exchange,
                           struct http_request *request)
{
    if (exchange->request_count == REQUESTS_MAX) {
        http_abort(request);
        return;
    }
    exchange->requests[exchange->request_count++] = request;
    if (exchange->is_finished || exchange->ending != ACCOUNT_RUNNING)
        exchange_refuse(request, 409, "ended", "this exchange has ended");
    else if (!exchange->part->data_request)
        exchange_refuse(request, 404, "ticket",
                        "this exchange has no data connections");
    else
        exchange->part->data_request(exchange, exchange->part_state, request);
}

void exchange_data_gone(struct exchange *exchange, struct http_request *request)
{
    size_t place = 0;

    while (place < exchange->request_count
           && exchange->requests[place] != request)
        place++;
    if (place == exchange->request_count)
        return;
    exchange->requests[place] = exchange->requests[--exchange->request_count];
    if (!exchange->is_finished && exchange->part->data_gone)
        exchange->part->data_gone(exchange, exchange->part_state, request);
    close_when_free(exchange);
}

/* --- ending -------------------------------------------------------------- */

static void on_stop(void *owner)
{
    struct exchange *exchange = owner;

    exchange_note(exchange, "not through by the latest stop time");
    end_by(exchange, ACCOUNT_STOPPED);
}

void exchange_cancel(struct exchange *exchange)
{
    end_by(exchange, ACCOUNT_CANCELLED);
}

static void end_by(struct exchange *exchange, enum account_state ending)
{
    if (exchange->is_finished)
        return;
    if (exchange->ending == ACCOUNT_RUNNING)
        exchange->ending = ending;
    exchange->part->stop(exchange, exchange->part_state);
}

void exchange_finish(struct exchange *exchange)
{
    if (exchange->is_finished)
        return;
    exchange->is_finished = true;
    exchange->account.ended_ns = clock_now_ns();
    if (exchange->ending == ACCOUNT_RUNNING)
        exchange->ending = ACCOUNT_DONE;
    if (exchange->is_begun) {
        identify(exchange, IDENTIFY_END);
        facts_after(&exchange->facts, &exchange->account);
    }
    exchange->account.state = (int) exchange->ending;
    for (size_t i = 0; i < exchange->request_count; i++)
        http_abort(exchange->requests[i]);
    close_when_free(exchange);
}

/* The owner must have passed on the end of every request before it hears of
 * the exchange's end: afterwards the exchange is no more. */
static void close_when_free(struct exchange *exchange)
{
    if (!exchange->is_finished || exchange->request_count
        || exchange->is_closing)
        return;
    exchange->is_closing = true;
    wake_close(&exchange->quiet, on_wake_closed);
    wake_close(&exchange->start, on_wake_closed);
    wake_close(&exchange->stop, on_wake_closed);
    wake_close(&exchange->identify, on_wake_closed);
}

static void free_exchange(struct exchange *exchange)
{
    if (exchange->part_state)
        exchange->part->dispose(exchange->part_state);
    account_clear(&exchange->account);
    free(exchange);
}

static void on_wake_closed(void *owner)
{
    struct exchange *exchange = owner;

    if (--exchange->open_wake_count > 0)
        return;
    exchange->on_end(exchange->owner, exchange, &exchange->account);
    free_exchange(exchange);
}

static void on_discarded_wake_closed(void *owner)
{
    struct exchange *exchange = owner;

    if (--exchange->open_wake_count == 0)
        free_exchange(exchange);
}

/* Arming failed: nobody hears of an end. */
static void discard(struct exchange *exchange)
{
    struct wake *const wakes[WAKE_COUNT] = { &exchange->quiet, &exchange->start,
                                             &exchange->stop,
                                             &exchange->identify };
    const size_t wake_count = exchange->open_wake_count;

    if (wake_count == 0)
        free_exchange(exchange);
    for (size_t i = 0; i < wake_count && i < WAKE_COUNT; i++)
        wake_close(wakes[i], on_discarded_wake_closed);
}

/* --- what the kinds ask -------------------------------------------------- */

const struct exchange_order *exchange_order_of(const struct exchange *exchange)
{
    return &exchange->order;
}

enum account_state exchange_state(const struct exchange *exchange)
{
    return (enum account_state) exchange->account.state;
}

uint64_t exchange_done_so_far(const struct exchange *exchange)
{
    return exchange->part->done_so_far
               ? exchange->part->done_so_far(exchange->part_state)
               : 0;
}

const struct exchange_site *exchange_site_of(const struct exchange *exchange)
{
    return &exchange->site;
}

struct exchange_account *exchange_account_of(struct exchange *exchange)
{
    return &exchange->account;
}

uint64_t exchange_start_ns(const struct exchange *exchange)
{
    return exchange->start_ns;
}

const struct sockaddr *exchange_peer(const struct exchange *exchange)
{
    return (const struct sockaddr *) &exchange->peer;
}

const struct sockaddr *exchange_own(const struct exchange *exchange)
{
    return exchange->has_own ? (const struct sockaddr *) &exchange->own : NULL;
}

unsigned exchange_tied_index(const struct exchange *exchange)
{
    return exchange->tied_index;
}

bool exchange_peer_has_ended(const struct exchange *exchange)
{
    return exchange->peer_has_ended;
}

struct rows *exchange_series(struct exchange *exchange, const char *name)
{
    const struct kind *kind = exchange->part->kind;
    size_t place = 0;

    while (place < kind->series_count
           && strcmp(kind->series[place].name, name) != 0)
        place++;
    assert(place < kind->series_count);
    return &exchange->account.series[place];
}

__attribute__((format(printf, 2, 0))) static void
write_trouble(struct exchange *exchange, const char *format, va_list arguments)
{
    struct exchange_account *account = &exchange->account;

    if (!account->trouble[0])
        (void) vsnprintf(account->trouble, sizeof(account->trouble), format,
                         arguments);
}

void exchange_note(struct exchange *exchange, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    write_trouble(exchange, format, arguments);
    va_end(arguments);
}

void exchange_trouble(struct exchange *exchange, const char *format, ...)
{
    va_list arguments;

    /* What breaks because we end it is no trouble of its own. */
    if (exchange->ending == ACCOUNT_STOPPED
        || exchange->ending == ACCOUNT_CANCELLED)
        return;
    va_start(arguments, format);
    write_trouble(exchange, format, arguments);
    va_end(arguments);
    exchange->ending = ACCOUNT_FAILED;
}
