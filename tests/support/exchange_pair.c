/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include "agent/clock.h"
#include "agent/sockets.h"

#include <arpa/inet.h>
#include <curl/curl.h>
#include <dirent.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define GUARD_MS 30000

/* --- the small agent around the exchanges -------------------------------- */

/* An opener has the ticket too, but serves nobody. */
static bool is_opener(const struct exchange_order *order)
{
    if (strcmp(order->kind, "messages") == 0) {
        struct messages_spec spec;

        memcpy(&spec, &order->spec, sizeof(spec));
        return (strcmp(order->part, "second") == 0)
               == (spec.opener == MESSAGES_OPENER_SECOND);
    }
    struct download_spec spec;

    memcpy(&spec, &order->spec, sizeof(spec));
    return (strcmp(order->part, "sender") == 0)
           == (spec.opener == OPENER_SENDER);
}

static void on_head(void *owner, struct http_request *request)
{
    struct pair *pair = owner;
    char start[64];

    for (int i = 0; i < 2; i++) {
        struct exchange *exchange = pair->ends[i].exchange;

        if (!exchange)
            continue;
        (void) snprintf(start, sizeof(start), "/data/%s",
                        exchange_order_of(exchange)->ticket);
        if (strncmp(http_path(request), start, strlen(start)) != 0)
            continue;
        if (is_opener(exchange_order_of(exchange)))
            continue;
        http_set_data(request, exchange);
        exchange_data_request(exchange, request);
        return;
    }
    http_reply(request, 404, NULL, 0, "no such ticket", 14);
}

static void on_body(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes)
{
    (void) owner;
    (void) request;
    (void) body;
    (void) body_bytes;
}

static void on_gone(void *owner, struct http_request *request)
{
    struct exchange *exchange = http_data(request);

    (void) owner;
    if (exchange)
        exchange_data_gone(exchange, request);
}

/* An identification is for both ends to judge, whatever else for one. */
static void pass_on(const struct pair *pair, const struct stamped_event *event,
                    const char *bytes)
{
    static const char identification[] = "bothends id ";
    const bool is_text =
        strncmp(bytes, identification, sizeof(identification) - 1) == 0;

    for (int i = 0; i < 2; i++) {
        struct exchange *exchange = pair->ends[i].exchange;

        if (exchange && is_text && !pair->is_deaf)
            exchange_heard(exchange, (const struct sockaddr *) &event->from,
                           bytes, event->byte_count);
        else if (exchange && !is_text
                 && exchange_datagram(exchange, event, bytes))
            return;
    }
}

static void on_udp(uv_poll_t *poll, int status, int events)
{
    struct pair *pair = poll->data;
    char *heard = pair->heard[pair->heard_count % 3];
    struct stamped_event event;
    char bytes[2048] = "";

    (void) status;
    (void) events;
    if (stamped_next(&pair->stamped4, bytes, sizeof(bytes) - 1, &event) <= 0)
        return;
    bytes[event.byte_count] = '\0';
    (void) snprintf(heard, sizeof(pair->heard[0]), "%s", bytes);
    pair->heard_count++;
    pass_on(pair, &event, bytes);
}

/* Descriptors that this process has open (Linux; elsewhere always 0). */
static size_t count_open_files(void)
{
    DIR *folder = opendir("/proc/self/fd");
    size_t count = 0;

    if (!folder)
        return 0;
    while (readdir(folder))
        count++;
    (void) closedir(folder);
    return count;
}

void pair_open(struct pair *pair)
{
    static const char *const addresses[] = { "127.0.0.1", "::1" };
    static const struct http_owner owner = { on_head, on_body, on_gone };
    struct fault fault = { 0 };

    memset(pair, 0, sizeof(*pair));
    /* The first loop of a process opens two descriptors for its lifetime. */
    assert_int_equal(uv_loop_init(&pair->loop), 0);
    assert_int_equal(uv_loop_close(&pair->loop), 0);
    pair->open_file_count = count_open_files();
    (void) signal(SIGPIPE, SIG_IGN);
    assert_int_equal(uv_loop_init(&pair->loop), 0);
    assert_int_equal(uv_timer_init(&pair->loop, &pair->guard), 0);
    pair->guard.data = pair;
    assert_int_equal(sockets_open_udp("127.0.0.1", 0, &pair->udp4, &fault), 0);
    assert_int_equal(sockets_open_udp("::1", 0, &pair->udp6, &fault), 0);
    pair->udp_port = sockets_port(pair->udp4);
    assert_int_equal(uv_poll_init(&pair->loop, &pair->udp_poll, pair->udp4), 0);
    pair->udp_poll.data = pair;
    stamped_listen(&pair->stamped4, pair->udp4, AF_INET);
    assert_int_equal(uv_poll_start(&pair->udp_poll, UV_READABLE, on_udp), 0);
    /* A port that is free for one family may be taken for the other. */
    for (int tries = 0; tries < 50 && !pair->http; tries++)
        (void) http_open(&pair->loop, addresses, 2, 0, &owner, pair,
                         &pair->http, &fault);
    assert_non_null(pair->http);
}

void pair_close(struct pair *pair)
{
    http_close(pair->http, NULL);
    uv_close((uv_handle_t *) &pair->guard, NULL);
    uv_close((uv_handle_t *) &pair->udp_poll, NULL);
    (void) uv_run(&pair->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&pair->loop), 0);
    (void) close(pair->udp4);
    (void) close(pair->udp6);
    for (int i = 0; i < 2; i++)
        account_clear(&pair->ends[i].account);
    assert_int_equal(count_open_files(), pair->open_file_count);
}

struct exchange_order pair_order(const struct pair *pair, const char *kind,
                                 const char *part)
{
    struct exchange_order order = {
        .id = "r1-pair",
        .own_name = "hub",
        .own_call = "Q0HUB",
        .own_address = "127.0.0.1",
        .peer_name = "field",
        .peer_address = "127.0.0.1",
        .peer_port = http_port(pair->http),
        .ticket = "ticket-of-the-pair",
        .identify_to = "127.0.0.1",
        .identify_port = pair->udp_port,
        .seed = 4711,
        .start_ns = clock_now_ns() + 30 * NS_PER_MS,
    };

    order.stop_ns = order.start_ns + 20 * NS_PER_S;
    (void) snprintf(order.kind, sizeof(order.kind), "%s", kind);
    (void) snprintf(order.part, sizeof(order.part), "%s", part);
    return order;
}

/* --- running ------------------------------------------------------------- */

static void stop_when_all_ended(struct pair *pair)
{
    if (pair->ended_count == pair->armed_count)
        uv_stop(&pair->loop);
}

static void on_end(void *owner, struct exchange *exchange,
                   struct exchange_account *account)
{
    struct pair *pair = owner;

    for (int i = 0; i < 2; i++) {
        if (pair->ends[i].exchange != exchange)
            continue;
        pair->ends[i].account = *account;
        memset(account->series, 0, sizeof(account->series)); /* moved */
        pair->ends[i].has_ended = true;
        pair->ends[i].exchange = NULL;
        pair->ended_count++;
    }
    stop_when_all_ended(pair);
}

int pair_arm(struct pair *pair, int end, const struct exchange_order *order,
             struct fault *fault)
{
    const struct exchange_site site = {
        .loop = &pair->loop,
        .udp4 = pair->udp4,
        .udp6 = pair->udp6,
        .port = http_port(pair->http),
        .urls = pair->urls,
        .url_count = pair->url_count,
    };
    const int status = exchange_arm(&site, order, on_end, pair,
                                    &pair->ends[end].exchange, fault);

    if (status == 0)
        pair->armed_count++;
    return status;
}

static void on_guard(uv_timer_t *guard)
{
    struct pair *pair = guard->data;

    pair->is_late = true;
    uv_stop(&pair->loop);
}

void pair_run(struct pair *pair)
{
    uv_update_time(&pair->loop);
    assert_int_equal(uv_timer_start(&pair->guard, on_guard, GUARD_MS, 0), 0);
    (void) uv_run(&pair->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_timer_stop(&pair->guard), 0);
    assert_false(pair->is_late);
}

int pair_silent_listener(uint16_t *ret_port)
{
    struct fault fault = { 0 };
    int listener = -1;

    assert_int_equal(sockets_listen_tcp("127.0.0.1", 0, &listener, &fault), 0);
    *ret_port = sockets_port(listener);
    return listener;
}

int pair_setup(void **state)
{
    struct pair *pair = malloc(sizeof(*pair));

    if (!pair)
        return -1;
    pair_open(pair);
    *state = pair;
    return 0;
}

int pair_teardown(void **state)
{
    struct pair *pair = *state;

    pair_close(pair);
    free(pair);
    curl_global_cleanup();
    return 0;
}
