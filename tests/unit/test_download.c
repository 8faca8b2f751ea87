/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include "agent/clock.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <string.h>
#include <unistd.h>

enum {
    SENDER,
    RECEIVER
};

static struct exchange_order download_order(const struct pair *pair, int end,
                                            const struct download_spec *spec)
{
    struct exchange_order order =
        pair_order(pair, "download", end == SENDER ? "sender" : "receiver");

    memcpy(&order.spec, spec, sizeof(*spec));
    return order;
}

static void arm_both(struct pair *pair, const struct download_spec *spec,
                     double expected_bps)
{
    for (int end = SENDER; end <= RECEIVER; end++) {
        struct exchange_order order = download_order(pair, end, spec);

        order.expected_bps = expected_bps;
        assert_int_equal(pair_arm(pair, end, &order, NULL), 0);
    }
}

static struct download_outcome outcome_of(const struct pair *pair, int end)
{
    struct download_outcome outcome;

    memcpy(&outcome, &pair->ends[end].account.outcome, sizeof(outcome));
    return outcome;
}

static const struct rows *series_of(const struct pair *pair, int end,
                                    const char *name)
{
    size_t place = 0;

    while (strcmp(download_kind.series[place].name, name) != 0)
        place++;
    return &pair->ends[end].account.series[place];
}

static void assert_done(const struct pair *pair, int end)
{
    assert_string_equal(pair->ends[end].account.trouble, "");
    assert_int_equal(pair->ends[end].account.state, ACCOUNT_DONE);
}

/* The arrivals add up to the content, each connection's in order of time. */
static void assert_arrivals_add_up(const struct pair *pair)
{
    const struct rows *arrivals = series_of(pair, RECEIVER, "arrivals");
    uint64_t bytes = 0, last_ns[16] = { 0 };

    for (size_t i = 0; i < arrivals->count; i++) {
        const struct download_arrival *arrival = rows_at(arrivals, i);

        assert_true(arrival->bytes > 0);
        assert_true(arrival->connection < 16);
        assert_true(arrival->at_ns > last_ns[arrival->connection]);
        last_ns[arrival->connection] = arrival->at_ns;
        bytes += arrival->bytes;
    }
    assert_int_equal(bytes, outcome_of(pair, RECEIVER).content_bytes);
}

static void assert_connections(const struct pair *pair, int end,
                               uint64_t connection_count)
{
    const struct rows *rows = series_of(pair, end, "connections");
    uint64_t bytes = 0;

    assert_int_equal(rows->count, connection_count);
    for (size_t i = 0; i < rows->count; i++) {
        const struct download_connection *row = rows_at(rows, i);

        assert_int_equal(row->connection, i);
        assert_true(row->opened_ns > 0);
        assert_true(row->connected_ns >= row->opened_ns);
        assert_true(row->request_ns >= row->connected_ns);
        assert_true(row->first_byte_ns >= row->request_ns
                    || row->content_bytes == 0);
        assert_true(row->last_byte_ns >= row->first_byte_ns);
        assert_true(row->local_port > 0 && row->peer_port > 0);
        assert_true(row->congestion_control[0] != '\0');
        /* A head of some dozen bytes at least, and no more than a page. */
        assert_in_range(row->framing_bytes, 20, 20000);
        bytes += row->content_bytes;
    }
    assert_int_equal(bytes, outcome_of(pair, end).content_bytes);
}

/* --- by bytes ------------------------------------------------------------ */

static const struct bytes_case {
    uint64_t size_bytes, connections;
    int opener, payload;
} bytes_cases[] = {
    { 300000, 1, OPENER_RECEIVER, PAYLOAD_OCTETS },
    { 300000, 1, OPENER_SENDER, PAYLOAD_OCTETS },
    { 1000003, 4, OPENER_RECEIVER, PAYLOAD_OCTETS },
    { 1000003, 4, OPENER_SENDER, PAYLOAD_TEXT },
    { 1, 1, OPENER_RECEIVER, PAYLOAD_TEXT },
    { 1, 1, OPENER_SENDER, PAYLOAD_OCTETS },
};

static void exactly_the_ordered_bytes_arrive(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(bytes_cases); i++) {
        const struct bytes_case *one = &bytes_cases[i];
        const struct download_spec spec = {
            .size_bytes = one->size_bytes,
            .connections = one->connections,
            .opener = one->opener,
            .payload = one->payload,
        };
        struct pair pair;

        print_message("case %zu\n", i);
        pair_open(&pair);
        arm_both(&pair, &spec, 0);
        pair_run(&pair);
        for (int end = SENDER; end <= RECEIVER; end++) {
            assert_done(&pair, end);
            assert_int_equal(outcome_of(&pair, end).content_bytes,
                             one->size_bytes);
            assert_connections(&pair, end, one->connections);
            assert_true(series_of(&pair, end, "tcp")->count
                        >= one->connections);
        }
        assert_arrivals_add_up(&pair);
        pair_close(&pair);
    }
}

static void assert_framing_agrees(struct pair *pair, int opener)
{
    const struct download_spec spec = { .size_bytes = 50000,
                                        .connections = 1,
                                        .opener = opener };

    arm_both(pair, &spec, 0);
    pair_run(pair);
    const struct download_connection *sent =
        rows_at(series_of(pair, SENDER, "connections"), 0);
    const struct download_connection *received =
        rows_at(series_of(pair, RECEIVER, "connections"), 0);
    assert_int_equal(sent->framing_bytes, received->framing_bytes);
    assert_int_equal(sent->local_port, received->peer_port);
    assert_int_equal(sent->peer_port, received->local_port);
}

static void both_ends_agree_on_the_framing(void **state)
{
    assert_framing_agrees(*state, OPENER_RECEIVER);
}

static void both_ends_agree_on_an_uploads_framing(void **state)
{
    assert_framing_agrees(*state, OPENER_SENDER);
}

static void the_last_tcp_row_has_everything_acknowledged(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 200000,
                                        .connections = 1 };

    arm_both(pair, &spec, 0);
    pair_run(pair);
    const struct rows *rows = series_of(pair, SENDER, "tcp");
    const struct download_tcp *last = rows_at(rows, rows->count - 1);
    assert_true(last->acked_bytes >= 200000);
    assert_int_equal(last->unsent_bytes, 0);
    assert_int_equal(last->unacked_segments, 0);
}

static void over_ipv6_and_tied_to_an_interface_it_goes_as_well(void **state)
{
    (void) state;
    for (int opener = OPENER_RECEIVER; opener <= OPENER_SENDER; opener++) {
        const struct download_spec spec = { .size_bytes = 100000,
                                            .connections = 2,
                                            .opener = opener };
        struct pair pair;

        pair_open(&pair);
        for (int end = SENDER; end <= RECEIVER; end++) {
            struct exchange_order order = download_order(&pair, end, &spec);

            (void) snprintf(order.own_address, sizeof(order.own_address),
                            "::1");
            (void) snprintf(order.peer_address, sizeof(order.peer_address),
                            "::1");
            (void) snprintf(order.interface, sizeof(order.interface), "lo");
            assert_int_equal(pair_arm(&pair, end, &order, NULL), 0);
        }
        pair_run(&pair);
        assert_done(&pair, SENDER);
        assert_done(&pair, RECEIVER);
        assert_int_equal(outcome_of(&pair, RECEIVER).content_bytes, 100000);
        assert_string_equal(pair.ends[SENDER].account.source_address, "::1");
        pair_close(&pair);
    }
}

/* --- by time ------------------------------------------------------------- */

static void assert_feeding_ends_on_time(struct pair *pair, int opener)
{
    const struct download_spec spec = {
        .for_ns = 700 * NS_PER_MS,
        .connections = 2,
        .opener = opener,
    };

    arm_both(pair, &spec, 1e6);
    const uint64_t end_ns =
        exchange_order_of(pair->ends[SENDER].exchange)->start_ns + spec.for_ns;
    pair_run(pair);

    const struct download_outcome sent = outcome_of(pair, SENDER);
    const struct download_outcome received = outcome_of(pair, RECEIVER);
    assert_done(pair, SENDER);
    assert_done(pair, RECEIVER);
    assert_int_equal(sent.content_bytes, received.content_bytes);
    assert_true(sent.content_bytes > 0);
    assert_true(sent.fed_until_ns >= end_ns);
    const struct rows *rows = series_of(pair, SENDER, "connections");
    for (size_t i = 0; i < rows->count; i++) {
        const struct download_connection *row = rows_at(rows, i);

        assert_true(row->last_byte_ns < end_ns);
    }
    assert_arrivals_add_up(pair);
}

static void by_time_the_sender_stops_feeding_when_the_time_is_over(void **state)
{
    assert_feeding_ends_on_time(*state, OPENER_RECEIVER);
}

static void by_time_an_opening_sender_stops_feeding_just_so(void **state)
{
    assert_feeding_ends_on_time(*state, OPENER_SENDER);
}

/*
 * A receiver whose clock runs ahead asks before the sender has begun, and its
 * time is over while data still come: the request waits, the rest is tail.
 */
static void what_arrives_after_the_time_is_the_tail(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .for_ns = 500 * NS_PER_MS,
                                        .connections = 1 };
    struct exchange_order order = download_order(pair, SENDER, &spec);
    const uint64_t sender_start_ns = order.start_ns + 300 * NS_PER_MS;

    order.expected_bps = 1e6;
    order.start_ns = sender_start_ns;
    assert_int_equal(pair_arm(pair, SENDER, &order, NULL), 0);
    order = download_order(pair, RECEIVER, &spec);
    const uint64_t end_ns = order.start_ns + spec.for_ns;
    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    assert_done(pair, SENDER);
    assert_done(pair, RECEIVER);

    const struct rows *arrivals = series_of(pair, RECEIVER, "arrivals");
    uint64_t late_bytes = 0, largest_bytes = 0;
    for (size_t i = 0; i < arrivals->count; i++) {
        const struct download_arrival *arrival = rows_at(arrivals, i);

        assert_true(arrival->at_ns + NS_PER_US > sender_start_ns);
        if (arrival->at_ns > end_ns)
            late_bytes += arrival->bytes;
        if (arrival->bytes > largest_bytes)
            largest_bytes = arrival->bytes;
    }
    /* A merged row may lie across the end. */
    const uint64_t tail_bytes = outcome_of(pair, RECEIVER).tail_bytes;
    assert_true(tail_bytes > 0);
    assert_true(tail_bytes < outcome_of(pair, RECEIVER).content_bytes);
    assert_true(tail_bytes <= late_bytes + largest_bytes);
    assert_true(late_bytes <= tail_bytes + largest_bytes);
}

/* --- a slow receiver ----------------------------------------------------- */

/* Reads a little now and then through a small window, like a slow link. */
struct slow_reader {
    int socket;
    uv_timer_t timer;
    uint64_t read_bytes;
};

#define SLOW_PIECE_BYTES 1000
#define SLOW_EVERY_MS    10

static void on_slow_turn(uv_timer_t *timer)
{
    struct slow_reader *reader = timer->data;
    char piece[SLOW_PIECE_BYTES];
    const ssize_t bytes =
        recv(reader->socket, piece, sizeof(piece), MSG_DONTWAIT);

    if (bytes > 0)
        reader->read_bytes += (uint64_t) bytes;
}

static void start_slow_reader(struct pair *pair, struct slow_reader *reader)
{
    const struct sockaddr_in server = {
        .sin_family = AF_INET,
        .sin_port = htons(http_port(pair->http)),
        .sin_addr = { htonl(INADDR_LOOPBACK) },
    };
    static const char request[] =
        "GET /data/ticket-of-the-pair/0 HTTP/1.1\r\nHost: x\r\n\r\n";
    const int room_bytes = 4096;

    memset(reader, 0, sizeof(*reader));
    reader->socket = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(reader->socket >= 0);
    (void) setsockopt(reader->socket, SOL_SOCKET, SO_RCVBUF, &room_bytes,
                      sizeof(room_bytes));
    assert_int_equal(connect(reader->socket, (const struct sockaddr *) &server,
                             sizeof(server)),
                     0);
    assert_int_equal(
        send(reader->socket, request, sizeof(request) - 1, MSG_NOSIGNAL),
        sizeof(request) - 1);
    assert_int_equal(uv_timer_init(&pair->loop, &reader->timer), 0);
    reader->timer.data = reader;
    assert_int_equal(
        uv_timer_start(&reader->timer, on_slow_turn, 0, SLOW_EVERY_MS), 0);
}

static void stop_slow_reader(struct slow_reader *reader)
{
    uv_close((uv_handle_t *) &reader->timer, NULL);
    /* The timer is the caller's, and gone when it returns. */
    (void) uv_run(reader->timer.loop, UV_RUN_NOWAIT);
    (void) close(reader->socket);
}

static void
a_slow_receiver_never_leaves_more_than_the_bound_unsent(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .for_ns = NS_PER_S, .connections = 1 };
    struct exchange_order order = download_order(pair, SENDER, &spec);
    struct slow_reader reader;

    order.expected_bps = 60000; /* 100 ms of it are less than 4 kB */
    assert_int_equal(pair_arm(pair, SENDER, &order, NULL), 0);
    start_slow_reader(pair, &reader);
    pair_run(pair);

    const struct download_outcome outcome = outcome_of(pair, SENDER);
    assert_done(pair, SENDER);
    assert_true(outcome.content_bytes > 0);
    assert_true(outcome.most_unsent_bytes > 0);
    /* 4 kB, and what HTTP frames it with. */
    assert_in_range(outcome.most_unsent_bytes, 1, 4096 + 200);
    assert_true(outcome.fed_until_ns >= order.start_ns + spec.for_ns);
    stop_slow_reader(&reader);
}

/* --- trouble ------------------------------------------------------------- */

static void a_silent_peer_is_left_at_the_latest_stop_time(void **state)
{
    struct pair *pair = *state;

    for (int end = SENDER; end <= RECEIVER; end++) {
        const struct download_spec spec = {
            .for_ns = 100 * NS_PER_MS,
            .connections = 2,
            .opener = end == SENDER ? OPENER_SENDER : OPENER_RECEIVER,
        };
        struct exchange_order order = download_order(pair, end, &spec);
        uint16_t port;
        const int listener = pair_silent_listener(&port);

        order.peer_port = port;
        order.stop_ns = order.start_ns + 400 * NS_PER_MS;
        assert_int_equal(pair_arm(pair, end, &order, NULL), 0);
        pair_run(pair);
        assert_int_equal(pair->ends[end].account.state, ACCOUNT_STOPPED);
        assert_true(pair->ends[end].account.ended_ns >= order.stop_ns);
        assert_true(pair->ends[end].account.ended_ns
                    < order.stop_ns + 5 * NS_PER_S);
        (void) close(listener);
    }
}

static void a_sender_to_which_nobody_connects_ends_by_itself(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 1000, .connections = 1 };
    struct exchange_order order = download_order(pair, SENDER, &spec);

    order.stop_ns = order.start_ns + 100 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, SENDER, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[SENDER].account.state, ACCOUNT_STOPPED);
}

static void a_refused_connection_is_told_in_words(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 1000, .connections = 1 };
    struct exchange_order order = download_order(pair, RECEIVER, &spec);
    uint16_t port;

    (void) close(pair_silent_listener(&port));
    order.peer_port = port;
    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    const struct exchange_account *account = &pair->ends[RECEIVER].account;
    assert_int_equal(account->state, ACCOUNT_FAILED);
    assert_non_null(strstr(account->trouble, "cannot connect to 127.0.0.1"));
    assert_non_null(strstr(account->trouble, "connection refused"));
}

static void an_unknown_ticket_is_told_in_words(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 1000, .connections = 1 };
    struct exchange_order order = download_order(pair, RECEIVER, &spec);

    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    const struct exchange_account *account = &pair->ends[RECEIVER].account;
    assert_int_equal(account->state, ACCOUNT_FAILED);
    assert_non_null(strstr(account->trouble, "404"));
    assert_int_equal(outcome_of(pair, RECEIVER).content_bytes, 0);
}

/* The sender believes in one connection, the receiver in two. */
static void a_connection_beyond_the_ordered_ones_is_refused(void **state)
{
    struct pair *pair = *state;
    struct download_spec spec = { .for_ns = 200 * NS_PER_MS, .connections = 1 };
    struct exchange_order order = download_order(pair, SENDER, &spec);

    assert_int_equal(pair_arm(pair, SENDER, &order, NULL), 0);
    spec.connections = 2;
    order = download_order(pair, RECEIVER, &spec);
    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    assert_done(pair, SENDER);
    assert_int_equal(pair->ends[RECEIVER].account.state, ACCOUNT_FAILED);
    assert_non_null(strstr(pair->ends[RECEIVER].account.trouble, "404"));
    assert_true(outcome_of(pair, RECEIVER).content_bytes > 0);
}

static void cancel_receiver(uv_timer_t *timer)
{
    struct pair *pair = timer->data;

    exchange_cancel(pair->ends[RECEIVER].exchange);
    uv_close((uv_handle_t *) timer, NULL);
}

static void a_vanishing_receiver_breaks_the_sender_off(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .for_ns = 10 * NS_PER_S,
                                        .connections = 1 };
    static uv_timer_t timer; /* the teardown closes it */

    arm_both(pair, &spec, 1e6);
    assert_int_equal(uv_timer_init(&pair->loop, &timer), 0);
    timer.data = pair;
    assert_int_equal(uv_timer_start(&timer, cancel_receiver, 200, 0), 0);
    pair_run(pair);
    const struct exchange_account *sender = &pair->ends[SENDER].account;
    assert_int_equal(pair->ends[RECEIVER].account.state, ACCOUNT_CANCELLED);
    assert_int_equal(sender->state, ACCOUNT_FAILED);
    assert_non_null(strstr(sender->trouble, "connection 0 broke off after"));
    assert_true(outcome_of(pair, RECEIVER).content_bytes > 0);
}

static void a_sender_hears_that_the_receiver_gave_up(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 1000, .connections = 1 };
    struct exchange_order order = download_order(pair, SENDER, &spec);
    uint16_t port;

    assert_int_equal(pair_arm(pair, SENDER, &order, NULL), 0);
    order = download_order(pair, RECEIVER, &spec);
    (void) close(pair_silent_listener(&port));
    order.peer_port = port;
    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    const struct exchange_account *sender = &pair->ends[SENDER].account;
    assert_int_equal(sender->state, ACCOUNT_FAILED);
    assert_non_null(strstr(sender->trouble, "never opened 1 of 1"));
    assert_true(sender->ended_ns < order.stop_ns);
}

/* A server of another kind in the sender's place. */
struct impostor {
    int listener, visitor;
    uv_poll_t listener_poll, visitor_poll;
};

static void on_request(uv_poll_t *poll, int status, int events)
{
    static const char answer[] =
        "HTTP/1.1 200 OK\r\nContent-Length: 16\r\n\r\nPlease log in ..";
    const struct impostor *impostor = poll->data;
    char request[512];

    (void) status;
    (void) events;
    (void) recv(impostor->visitor, request, sizeof(request), 0);
    (void) send(impostor->visitor, answer, sizeof(answer) - 1, MSG_NOSIGNAL);
    uv_close((uv_handle_t *) poll, NULL);
    (void) close(impostor->visitor);
}

static void on_visitor(uv_poll_t *poll, int status, int events)
{
    struct impostor *impostor = poll->data;

    (void) status;
    (void) events;
    impostor->visitor = accept(impostor->listener, NULL, NULL);
    assert_true(impostor->visitor >= 0);
    assert_int_equal(
        uv_poll_init(poll->loop, &impostor->visitor_poll, impostor->visitor),
        0);
    impostor->visitor_poll.data = impostor;
    assert_int_equal(
        uv_poll_start(&impostor->visitor_poll, UV_READABLE, on_request), 0);
}

static void content_that_is_not_ours_is_noticed(void **state)
{
    struct pair *pair = *state;
    const struct download_spec spec = { .size_bytes = 16, .connections = 1 };
    struct exchange_order order = download_order(pair, RECEIVER, &spec);
    static struct impostor impostor; /* the teardown closes its handles */
    uint16_t port;

    impostor.listener = pair_silent_listener(&port);
    assert_int_equal(
        uv_poll_init(&pair->loop, &impostor.listener_poll, impostor.listener),
        0);
    impostor.listener_poll.data = &impostor;
    assert_int_equal(
        uv_poll_start(&impostor.listener_poll, UV_READABLE, on_visitor), 0);
    order.peer_port = port;
    assert_int_equal(pair_arm(pair, RECEIVER, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[RECEIVER].account.state, ACCOUNT_FAILED);
    assert_non_null(
        strstr(pair->ends[RECEIVER].account.trouble, "does not begin with"));
    uv_close((uv_handle_t *) &impostor.listener_poll, NULL);
    (void) close(impostor.listener);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exactly_the_ordered_bytes_arrive),
        cmocka_unit_test(over_ipv6_and_tied_to_an_interface_it_goes_as_well),
        PAIR_TEST(both_ends_agree_on_the_framing),
        PAIR_TEST(both_ends_agree_on_an_uploads_framing),
        PAIR_TEST(the_last_tcp_row_has_everything_acknowledged),
        PAIR_TEST(by_time_the_sender_stops_feeding_when_the_time_is_over),
        PAIR_TEST(by_time_an_opening_sender_stops_feeding_just_so),
        PAIR_TEST(what_arrives_after_the_time_is_the_tail),
        PAIR_TEST(a_slow_receiver_never_leaves_more_than_the_bound_unsent),
        PAIR_TEST(a_silent_peer_is_left_at_the_latest_stop_time),
        PAIR_TEST(a_sender_to_which_nobody_connects_ends_by_itself),
        PAIR_TEST(a_refused_connection_is_told_in_words),
        PAIR_TEST(an_unknown_ticket_is_told_in_words),
        PAIR_TEST(a_connection_beyond_the_ordered_ones_is_refused),
        PAIR_TEST(a_vanishing_receiver_breaks_the_sender_off),
        PAIR_TEST(a_sender_hears_that_the_receiver_gave_up),
        PAIR_TEST(content_that_is_not_ours_is_noticed),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
