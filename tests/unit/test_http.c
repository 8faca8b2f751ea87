/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/http.h"

#include <netinet/in.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define DEADLINE_MS 8000

/* A client that writes raw text and keeps all that comes back. */
struct client {
    uv_tcp_t tcp;
    uv_connect_t connecting;
    uv_write_t write;
    char *text; /* borrowed until written */
    char *heard;
    size_t heard_bytes;
    bool has_ended, was_reset;
    struct fixture *fixture;
};

/* The served side: what each path does. */
struct fixture {
    uv_loop_t loop;
    uv_timer_t deadline, later;
    struct http_server *server;
    struct http_request *waiting; /* answered later, or resumed */
    char body[256];
    size_t body_bytes;
    size_t piece_count, piece_bytes, end_count;
    size_t head_count, gone_count;
    size_t fed_blocks;
    bool later_resumes, later_aborts;
    char header[64];
    char peer_is_loopback;
    uint64_t accepted_ns, head_ns;
    bool is_closed;
    int switched; /* socket of a connection that left HTTP; -1: none */
    struct client client;
};

static void on_deadline(uv_timer_t *timer)
{
    (void) timer;
    fail_msg("nothing happened within %d ms", DEADLINE_MS);
}

static ssize_t feed_three_blocks(void *owner, void *room, size_t room_bytes)
{
    struct fixture *fixture = owner;

    if (fixture->fed_blocks == 3)
        return HTTP_FEED_END;
    fixture->fed_blocks++;
    memset(room, 'a' + (int) fixture->fed_blocks - 1, room_bytes);
    return (ssize_t) room_bytes;
}

/* One block, then nothing until it is resumed. */
static ssize_t feed_with_a_pause(void *owner, void *room, size_t room_bytes)
{
    struct fixture *fixture = owner;

    switch (fixture->fed_blocks++) {
    case 0:
        memset(room, 'x', room_bytes);
        return (ssize_t) room_bytes;
    case 1:
        return 0;
    case 2:
        memset(room, 'y', room_bytes);
        return (ssize_t) room_bytes;
    default:
        return HTTP_FEED_END;
    }
}

static ssize_t feed_for_ever(void *owner, void *room, size_t room_bytes)
{
    struct fixture *fixture = owner;

    fixture->fed_blocks++;
    memset(room, 'z', room_bytes);
    return (ssize_t) room_bytes;
}

static void on_later(uv_timer_t *timer)
{
    struct fixture *fixture = timer->data;

    if (fixture->later_aborts)
        http_abort(fixture->waiting);
    else if (fixture->later_resumes)
        http_resume(fixture->waiting);
    else
        http_reply(fixture->waiting, 200, NULL, 0, "late", 4);
}

static void start_later(struct fixture *fixture, struct http_request *request)
{
    fixture->waiting = request;
    (void) uv_timer_start(&fixture->later, on_later, 30, 0);
}

static void on_piece(void *owner, const void *piece, size_t piece_bytes)
{
    struct fixture *fixture = owner;

    (void) piece;
    assert_true(piece_bytes > 0);
    fixture->piece_count++;
    fixture->piece_bytes += piece_bytes;
}

static void on_end(void *owner)
{
    struct fixture *fixture = owner;

    fixture->end_count++;
    http_reply(fixture->waiting, 200, NULL, 0, "taken", 5);
}

static void on_switched(void *owner, int socket, const void *early,
                        size_t early_bytes)
{
    struct fixture *fixture = owner;

    assert_int_equal(fixture->switched, -1);
    fixture->switched = socket;
    memcpy(fixture->body, early, early_bytes);
    fixture->body[early_bytes] = '\0';
    assert_int_equal(write(socket, "own words", 9), 9);
}

static void serve(struct fixture *fixture, struct http_request *request)
{
    const char *path = http_path(request);

    if (strcmp(path, "/hello") == 0) {
        const struct http_field fields[] = { { "Content-Type", "text/plain" } };

        http_reply(request, 200, fields, 1, "hello", 5);
    } else if (strcmp(path, "/body") == 0) {
        http_want_body(request, 100);
    } else if (strcmp(path, "/upload") == 0) {
        fixture->waiting = request;
        http_take_upload(request, on_piece, on_end, fixture);
    } else if (strcmp(path, "/refused") == 0) {
        http_reply(request, 401, NULL, 0, "no", 2);
    } else if (strcmp(path, "/later") == 0) {
        start_later(fixture, request);
    } else if (strcmp(path, "/sized") == 0) {
        http_reply_stream(request, 200, NULL, 0, 3000, 1000, feed_three_blocks,
                          fixture);
    } else if (strcmp(path, "/chunked") == 0) {
        http_reply_stream(request, 200, NULL, 0, HTTP_LENGTH_UNKNOWN, 1000,
                          feed_three_blocks, fixture);
    } else if (strcmp(path, "/paused") == 0) {
        http_reply_stream(request, 200, NULL, 0, HTTP_LENGTH_UNKNOWN, 500,
                          feed_with_a_pause, fixture);
        fixture->later_resumes = true;
        start_later(fixture, request);
    } else if (strcmp(path, "/switch") == 0) {
        const struct http_field fields[] = { { "Upgrade", "other" } };

        fixture->waiting = request;
        http_upgrade(request, fields, 1, on_switched, fixture);
    } else if (strcmp(path, "/endless") == 0) {
        http_reply_stream(request, 200, NULL, 0, HTTP_LENGTH_UNKNOWN, 32768,
                          feed_for_ever, fixture);
        fixture->later_aborts = true;
        start_later(fixture, request);
    }
    /* anything else is left waiting */
}

static void on_head(void *owner, struct http_request *request)
{
    struct fixture *fixture = owner;
    const char *header = http_header(request, "x-test");

    fixture->head_count++;
    (void) snprintf(fixture->header, sizeof(fixture->header), "%s",
                    header ? header : "(none)");
    fixture->accepted_ns = http_accepted_ns(request);
    fixture->head_ns = http_head_ns(request);
    assert_true(http_socket(request) >= 0);
    assert_int_equal(http_peer(request)->sa_family, AF_INET);
    http_set_data(request, fixture);
    serve(fixture, request);
}

static void on_body(void *owner, struct http_request *request, const void *body,
                    size_t body_bytes)
{
    struct fixture *fixture = owner;

    assert_true(body_bytes < sizeof(fixture->body));
    memcpy(fixture->body, body, body_bytes);
    fixture->body[body_bytes] = '\0';
    fixture->body_bytes = body_bytes;
    http_reply(request, 200, NULL, 0, "got it", 6);
}

static void on_gone(void *owner, struct http_request *request)
{
    struct fixture *fixture = owner;

    assert_ptr_equal(http_data(request), fixture);
    fixture->gone_count++;
    if (fixture->waiting == request)
        (void) uv_timer_stop(&fixture->later);
}

static const struct http_owner handler = { on_head, on_body, on_gone };

/* --- the client ---------------------------------------------------------- */

static void on_room(uv_handle_t *handle, size_t wanted_bytes, uv_buf_t *buffer)
{
    (void) handle;
    *buffer = uv_buf_init(malloc(wanted_bytes), (unsigned) wanted_bytes);
}

static void on_heard(uv_stream_t *stream, ssize_t heard_bytes,
                     const uv_buf_t *buffer)
{
    struct client *client = stream->data;

    if (heard_bytes < 0) {
        client->has_ended = true;
        client->was_reset = heard_bytes != UV_EOF;
        (void) uv_read_stop(stream);
    } else {
        client->heard = realloc(client->heard,
                                client->heard_bytes + (size_t) heard_bytes + 1);
        memcpy(client->heard + client->heard_bytes, buffer->base,
               (size_t) heard_bytes);
        client->heard_bytes += (size_t) heard_bytes;
        client->heard[client->heard_bytes] = '\0';
    }
    free(buffer->base);
}

static void client_say(struct client *client, const char *text,
                       size_t text_bytes)
{
    union {
        const char *constant;
        char *buffer;
    } bytes = { .constant = text };
    const uv_buf_t buffer = uv_buf_init(bytes.buffer, (unsigned) text_bytes);

    (void) uv_write(&client->write, (uv_stream_t *) &client->tcp, &buffer, 1,
                    NULL);
}

static void on_connected(uv_connect_t *connecting, int status)
{
    struct client *client = connecting->data;

    assert_int_equal(status, 0);
    (void) uv_read_start((uv_stream_t *) &client->tcp, on_room, on_heard);
    client_say(client, client->text, strlen(client->text));
}

static void client_start(struct fixture *fixture, char *text)
{
    struct client *client = &fixture->client;
    struct sockaddr_in address;

    client->text = text;
    client->fixture = fixture;
    (void) uv_ip4_addr("127.0.0.1", http_port(fixture->server), &address);
    (void) uv_tcp_init(&fixture->loop, &client->tcp);
    client->tcp.data = client;
    client->connecting.data = client;
    assert_int_equal(uv_tcp_connect(&client->connecting, &client->tcp,
                                    (const struct sockaddr *) &address,
                                    on_connected),
                     0);
}

static void run_until_heard(struct fixture *fixture, const char *end)
{
    while (!fixture->client.heard || !strstr(fixture->client.heard, end)) {
        assert_false(fixture->client.has_ended);
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    }
}

static void run_until_ended(struct fixture *fixture)
{
    while (!fixture->client.has_ended)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

/* --- set-up -------------------------------------------------------------- */

static int set_up(void **state)
{
    static const char *const addresses[] = { "127.0.0.1" };
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    (void) uv_loop_init(&fixture->loop);
    (void) uv_timer_init(&fixture->loop, &fixture->deadline);
    (void) uv_timer_init(&fixture->loop, &fixture->later);
    fixture->later.data = fixture;
    fixture->switched = -1;
    (void) uv_timer_start(&fixture->deadline, on_deadline, DEADLINE_MS, 0);
    const int result = http_open(&fixture->loop, addresses, 1, 0, &handler,
                                 fixture, &fixture->server, &fault);
    if (result < 0)
        print_error("%s\n", fault.text);
    *state = fixture;
    return result;
}

static void on_closed(void *owner)
{
    struct fixture *fixture = owner;

    fixture->is_closed = true;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    http_close(fixture->server, on_closed);
    uv_close((uv_handle_t *) &fixture->deadline, NULL);
    uv_close((uv_handle_t *) &fixture->later, NULL);
    if (fixture->client.tcp.data)
        uv_close((uv_handle_t *) &fixture->client.tcp, NULL);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_true(fixture->is_closed);
    if (fixture->switched >= 0)
        (void) close(fixture->switched);
    assert_int_equal(fixture->head_count, fixture->gone_count);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    free(fixture->client.heard);
    free(fixture);
    return 0;
}

/* --- promises ------------------------------------------------------------ */

static void an_answer_carries_the_named_fields_and_its_length_only(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /hello HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    run_until_heard(fixture, "hello");
    assert_non_null(strstr(fixture->client.heard, "HTTP/1.1 200 "));
    assert_non_null(strstr(fixture->client.heard, "Content-Type: text/plain"));
    assert_non_null(strstr(fixture->client.heard, "Content-Length: 5\r\n"));
    assert_null(strstr(fixture->client.heard, "Date:"));
    assert_true(fixture->accepted_ns > 0);
    assert_true(fixture->head_ns >= fixture->accepted_ns);
}

static void the_target_is_given_raw_and_headers_trimmed_and_joined(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /%68ello?a=%20b&c HTTP/1.1\r\nHost: t\r\n"
                  "X-Test:  one  \r\nx-test: two\t\r\n\r\n";

    client_start(fixture, text);
    while (fixture->head_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    assert_string_equal(fixture->header, "one, two");
    /* "/%68ello" is not "/hello": the request is left waiting. */
    assert_null(fixture->client.heard);
}

static void a_body_is_collected_whole_however_it_is_cut(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "PUT /body HTTP/1.1\r\nHost: t\r\nContent-Length: 11\r\n\r\n"
                  "first";

    client_start(fixture, text);
    while (fixture->head_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    client_say(&fixture->client, "second", 6);
    run_until_heard(fixture, "got it");
    assert_string_equal(fixture->body, "firstsecond");
}

static void a_body_over_the_limit_is_answered_413(void **state)
{
    static const char *const heads[] = {
        "PUT /body HTTP/1.1\r\nHost: t\r\nContent-Length: 101\r\n\r\n",
        "PUT /body HTTP/1.1\r\nHost: t\r\nTransfer-Encoding: chunked\r\n\r\n"
        "65\r\n",
    };

    for (size_t i = 0; i < sizeof(heads) / sizeof(heads[0]); i++) {
        char text[512];
        size_t used = strlen(heads[i]);

        if (i > 0) {
            (void) tear_down(state);
            (void) set_up(state);
        }
        struct fixture *fixture = *state;
        memcpy(text, heads[i], used);
        memset(text + used, 'q', 101);
        used += 101;
        (void) snprintf(text + used, sizeof(text) - used, "%s",
                        i ? "\r\n0\r\n\r\n" : "");
        client_start(fixture, text);
        run_until_heard(fixture, "too large");
        assert_non_null(strstr(fixture->client.heard, " 413 "));
        assert_int_equal(fixture->body_bytes, 0);
    }
}

static void switch_protocols(struct fixture *fixture)
{
    char text[] = "GET /switch HTTP/1.1\r\nHost: t\r\nConnection: Upgrade\r\n"
                  "Upgrade: other\r\n\r\nearly";

    client_start(fixture, text);
    run_until_heard(fixture, "own words");
}

static void a_switched_connection_is_the_owners(void **state)
{
    struct fixture *fixture = *state;
    char room[16] = "";

    switch_protocols(fixture);
    assert_non_null(strstr(fixture->client.heard, "HTTP/1.1 101 "));
    assert_non_null(strstr(fixture->client.heard, "Connection: Upgrade\r\n"));
    assert_non_null(strstr(fixture->client.heard, "Upgrade: other\r\n"));
    assert_string_equal(fixture->body, "early");
    client_say(&fixture->client, "later", 5);
    ssize_t got = -1;
    while (got < 0) {
        got = read(fixture->switched, room, sizeof(room));
        (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    }
    assert_string_equal(room, "later");
    assert_int_equal(fixture->gone_count, 0);
    (void) close(fixture->switched);
    fixture->switched = -1;
    http_leave(fixture->waiting);
    run_until_ended(fixture);
    assert_false(fixture->client.was_reset);
    while (fixture->gone_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void a_switched_connection_can_be_broken_off(void **state)
{
    struct fixture *fixture = *state;

    switch_protocols(fixture);
    http_abort(fixture->waiting);
    run_until_ended(fixture);
    while (fixture->gone_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void closing_the_server_ends_a_switched_connection(void **state)
{
    switch_protocols(*state); /* the rest is the tear-down's */
}

static void a_refused_request_leaves_the_connection_usable(void **state)
{
    struct fixture *fixture = *state;
    char text[] =
        "PUT /refused HTTP/1.1\r\nHost: t\r\nContent-Length: 4\r\n\r\n"
        "body";

    client_start(fixture, text);
    run_until_heard(fixture, "no");
    assert_non_null(strstr(fixture->client.heard, " 401 "));
    const char again[] = "GET /hello HTTP/1.1\r\nHost: t\r\n\r\n";
    client_say(&fixture->client, again, sizeof(again) - 1);
    run_until_heard(fixture, "hello");
}

static void an_upload_comes_in_pieces_as_it_arrives(void **state)
{
    enum {
        UPLOAD_BYTES = 100000
    };
    struct fixture *fixture = *state;
    char *text = malloc(UPLOAD_BYTES + 200);
    const int head = snprintf(text, 200,
                              "PUT /upload HTTP/1.1\r\nHost: t\r\n"
                              "Content-Length: %d\r\n\r\n",
                              UPLOAD_BYTES);

    memset(text + head, 'u', UPLOAD_BYTES);
    text[head + UPLOAD_BYTES] = '\0';
    client_start(fixture, text);
    run_until_heard(fixture, "taken");
    assert_true(fixture->piece_count > 1);
    assert_int_equal(fixture->piece_bytes, UPLOAD_BYTES);
    assert_int_equal(fixture->end_count, 1);
    free(text);
}

static void an_answer_may_come_later(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /later HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    run_until_heard(fixture, "late");
}

static void a_stream_of_known_length_is_not_chunked(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /sized HTTP/1.1\r\nHost: t\r\nConnection: close\r\n\r\n";

    client_start(fixture, text);
    run_until_ended(fixture);
    assert_false(fixture->client.was_reset);
    assert_non_null(strstr(fixture->client.heard, "Content-Length: 3000\r\n"));
    const char *body = strstr(fixture->client.heard, "\r\n\r\n") + 4;
    assert_int_equal(strlen(body), 3000);
    assert_int_equal(body[0], 'a');
    assert_int_equal(body[2999], 'c');
}

static void a_stream_of_unknown_length_ends_cleanly(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /chunked HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    run_until_heard(fixture, "\r\n0\r\n\r\n");
    assert_non_null(strstr(fixture->client.heard, "chunked"));
    assert_int_equal(fixture->fed_blocks, 3);
}

static void a_stream_with_nothing_to_send_rests_until_resumed(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /paused HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    run_until_heard(fixture, "\r\n0\r\n\r\n");
    assert_non_null(strstr(fixture->client.heard, "xx"));
    assert_non_null(strstr(fixture->client.heard, "yy"));
    /* Asked once for each step, not again and again while it rested. */
    assert_int_equal(fixture->fed_blocks, 4);
}

static void an_aborted_stream_is_cut_at_once(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /endless HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    run_until_ended(fixture);
    assert_null(strstr(fixture->client.heard, "\r\n0\r\n\r\n"));
    while (fixture->gone_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void a_waiting_request_is_gone_when_its_client_goes(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /endless HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    while (fixture->head_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    (void) uv_timer_stop(&fixture->later);
    (void) uv_tcp_close_reset(&fixture->client.tcp, NULL);
    fixture->client.tcp.data = NULL;
    while (fixture->gone_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void closing_ends_what_is_waiting(void **state)
{
    struct fixture *fixture = *state;
    char text[] = "GET /nobody-answers HTTP/1.1\r\nHost: t\r\n\r\n";

    client_start(fixture, text);
    while (fixture->head_count == 0)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    assert_int_equal(fixture->gone_count, 0);
    /* The tear-down closes, and asserts that the request is gone. */
}

/* More connections than the server keeps, each with a refused request whose
 * body never comes. */
static void bodies_that_never_come_lock_nobody_out(void **state)
{
    enum {
        HOLDERS = 150
    };
    static const char held[] =
        "PUT /refused HTTP/1.1\r\nHost: t\r\nContent-Length: 9\r\n\r\n";
    struct fixture *fixture = *state;
    struct sockaddr_in address;
    int holders[HOLDERS];
    char text[] = "GET /hello HTTP/1.1\r\nHost: t\r\n\r\n";

    (void) uv_ip4_addr("127.0.0.1", http_port(fixture->server), &address);
    for (size_t i = 0; i < HOLDERS; i++) {
        holders[i] = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        assert_int_equal(connect(holders[i], (const struct sockaddr *) &address,
                                 sizeof(address)),
                         0);
        assert_int_equal(send(holders[i], held, sizeof(held) - 1, MSG_NOSIGNAL),
                         sizeof(held) - 1);
        while (fixture->head_count <= i)
            (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    }
    client_start(fixture, text);
    run_until_heard(fixture, "hello");
    for (size_t i = 0; i < HOLDERS; i++)
        (void) close(holders[i]);
}

static void a_port_in_use_is_told_with_what_to_do(void **state)
{
    struct fixture *fixture = *state;
    static const char *const addresses[] = { "127.0.0.1" };
    struct http_server *second = NULL;
    struct fault fault = { 0 };

    assert_int_equal(http_open(&fixture->loop, addresses, 1,
                               http_port(fixture->server), &handler, fixture,
                               &second, &fault),
                     UV_EADDRINUSE);
    assert_non_null(strstr(fault.text, "--port"));
}

static void an_address_of_another_computer_is_told(void **state)
{
    struct fixture *fixture = *state;
    static const char *const addresses[] = { "192.0.2.77" };
    struct http_server *second = NULL;
    struct fault fault = { 0 };

    assert_int_equal(http_open(&fixture->loop, addresses, 1, 0, &handler,
                               fixture, &second, &fault),
                     UV_EADDRNOTAVAIL);
    assert_non_null(strstr(fault.text, "192.0.2.77"));
}

#define PROMISE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        PROMISE(an_answer_carries_the_named_fields_and_its_length_only),
        PROMISE(the_target_is_given_raw_and_headers_trimmed_and_joined),
        PROMISE(a_body_is_collected_whole_however_it_is_cut),
        PROMISE(a_body_over_the_limit_is_answered_413),
        PROMISE(a_switched_connection_is_the_owners),
        PROMISE(a_switched_connection_can_be_broken_off),
        PROMISE(closing_the_server_ends_a_switched_connection),
        PROMISE(a_refused_request_leaves_the_connection_usable),
        PROMISE(an_upload_comes_in_pieces_as_it_arrives),
        PROMISE(an_answer_may_come_later),
        PROMISE(a_stream_of_known_length_is_not_chunked),
        PROMISE(a_stream_of_unknown_length_ends_cleanly),
        PROMISE(a_stream_with_nothing_to_send_rests_until_resumed),
        PROMISE(an_aborted_stream_is_cut_at_once),
        PROMISE(a_waiting_request_is_gone_when_its_client_goes),
        PROMISE(closing_ends_what_is_waiting),
        PROMISE(bodies_that_never_come_lock_nobody_out),
        PROMISE(a_port_in_use_is_told_with_what_to_do),
        PROMISE(an_address_of_another_computer_is_told),
    };

    return cmocka_run_group_tests_name("http", tests, NULL, NULL);
}
