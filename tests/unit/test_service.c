/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/service.h"

#include "agent/clock.h"
#include "agent/self.h"
#include "agent/sockets.h"
#include "agent/wire/body.h"
#include "agent/wire/messages.h"
#include "agent/wire/nonce.h"
#include "agent/wire/signature.h"

#include <bothends/kinds.h>
#include <errno.h>
#include <fcntl.h>
#include <net/if.h>
#include <netinet/in.h>
#include <sched.h>
#include <setjmp.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define DEADLINE_MS   20000
#define ANSWER_BYTES  (1 << 20)
#define REQUEST_BYTES (256 * 1024)

/* Fault injection (linked with --wrap): the spool's disk is full. */
int __real_fsync(int fd);
int __wrap_fsync(int fd);
static bool disk_is_full;

int __wrap_fsync(int fd)
{
    if (disk_is_full) {
        errno = ENOSPC;
        return -1;
    }
    return __real_fsync(fd);
}

struct answer {
    int status;
    bool is_signed; /* and the signature is right, for our request */
    bool was_cut;
    json_t *json;
    char next_nonce[NONCE_SIZE];
};

struct fixture {
    uv_loop_t loop;
    uv_timer_t deadline, moment;
    char folder[64], key_file[96], spool_folder[96], mark_file[96];
    struct wire_key key;
    struct agent_config config;
    struct service *service;    /* that is spoken to */
    struct service *near, *far; /* two of them; NULL: just the one */
    bool is_closed;
    char nonce[NONCE_SIZE];
    struct answer answer;

    /* The connection of one request. */
    uv_tcp_t tcp;
    uv_connect_t connecting;
    uv_write_t write;
    char *request;
    size_t request_bytes;
    char *heard;
    size_t heard_bytes;
    bool has_ended, is_disconnected;
};

/* What a request is spoilt with; zeroed: nothing. */
struct spoil {
    bool unsigned_request;
    const struct wire_key *key;
    const char *nonce;
    const char *sent_path;    /* instead of the one signed */
    const char *sent_body;    /* instead of the one signed; as long */
    const char *content_type; /* signed, too */
    char *ret_request;        /* a copy of what was sent */
};

/* --- a small signing client ----------------------------------------------- */

static void on_deadline(uv_timer_t *timer)
{
    (void) timer;
    fail_msg("nothing happened within %d ms", DEADLINE_MS);
}

static void on_room(uv_handle_t *handle, size_t wanted_bytes, uv_buf_t *buffer)
{
    struct fixture *fixture = handle->data;

    (void) wanted_bytes;
    *buffer = uv_buf_init(fixture->heard + fixture->heard_bytes,
                          (unsigned) (ANSWER_BYTES - fixture->heard_bytes - 1));
}

static void on_heard(uv_stream_t *stream, ssize_t heard_bytes,
                     const uv_buf_t *buffer)
{
    struct fixture *fixture = stream->data;

    (void) buffer;
    if (heard_bytes < 0)
        fixture->has_ended = true;
    else
        fixture->heard_bytes += (size_t) heard_bytes;
    fixture->heard[fixture->heard_bytes] = '\0';
}

static void on_connected(uv_connect_t *connecting, int status)
{
    struct fixture *fixture = connecting->data;
    const uv_buf_t buffer =
        uv_buf_init(fixture->request, (unsigned) fixture->request_bytes);

    assert_int_equal(status, 0);
    (void) uv_read_start((uv_stream_t *) &fixture->tcp, on_room, on_heard);
    (void) uv_write(&fixture->write, (uv_stream_t *) &fixture->tcp, &buffer, 1,
                    NULL);
}

static void on_disconnected(uv_handle_t *handle)
{
    struct fixture *fixture = handle->data;

    fixture->is_disconnected = true;
}

static bool find_field(const char *head, const char *name, char *room,
                       size_t room_bytes)
{
    char needle[64];

    (void) snprintf(needle, sizeof(needle), "\r\n%s: ", name);
    const char *at = strstr(head, needle);
    if (!at)
        return false;
    at += strlen(needle);
    (void) snprintf(room, room_bytes, "%.*s", (int) strcspn(at, "\r"), at);
    return true;
}

/* The body when the whole answer is in, else NULL. */
static const char *whole_body(const struct fixture *fixture, size_t *ret_bytes)
{
    char length[32];
    const char *end = strstr(fixture->heard, "\r\n\r\n");

    if (!end
        || !find_field(fixture->heard, "Content-Length", length,
                       sizeof(length)))
        return NULL;
    *ret_bytes = strtoull(length, NULL, 10);
    const size_t have =
        fixture->heard_bytes - (size_t) (end + 4 - fixture->heard);
    return have >= *ret_bytes ? end + 4 : NULL;
}

static void connect_and_send(struct fixture *fixture)
{
    struct sockaddr_in address;

    fixture->has_ended = fixture->is_disconnected = false;
    fixture->heard_bytes = 0;
    fixture->heard[0] = '\0';
    (void) uv_ip4_addr("127.0.0.1", service_port(fixture->service), &address);
    (void) uv_tcp_init(&fixture->loop, &fixture->tcp);
    fixture->tcp.data = fixture->connecting.data = fixture;
    assert_int_equal(uv_tcp_connect(&fixture->connecting, &fixture->tcp,
                                    (const struct sockaddr *) &address,
                                    on_connected),
                     0);
}

static void disconnect(struct fixture *fixture)
{
    uv_close((uv_handle_t *) &fixture->tcp, on_disconnected);
    while (!fixture->is_disconnected)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void take_answer(struct fixture *fixture, const char *request_signature)
{
    struct answer *answer = &fixture->answer;
    struct fault fault = { 0 };
    char coding[32], digest[DIGEST_FIELD_SIZE];
    char input[SIGNATURE_INPUT_SIZE] = "", signature[SIGNATURE_FIELD_SIZE] = "";
    size_t body_bytes = 0;

    json_decref(answer->json);
    *answer = (struct answer){ .was_cut = true };
    const char *body = whole_body(fixture, &body_bytes);
    if (!body)
        return;
    answer->was_cut = false;
    answer->status =
        (int) strtol(fixture->heard + strlen("HTTP/1.1 "), NULL, 10);
    const bool is_coded =
        find_field(fixture->heard, "Content-Encoding", coding, sizeof(coding));
    if (body_decode(body, body_bytes, is_coded ? coding : NULL, &answer->json,
                    &fault)
        < 0)
        fail_msg("%s: %s", fault.text, fixture->heard);
    (void) find_field(fixture->heard, "Next-Nonce", answer->next_nonce,
                      sizeof(answer->next_nonce));
    if (!find_field(fixture->heard, "Signature-Input", input, sizeof(input))
        || !find_field(fixture->heard, "Signature", signature,
                       sizeof(signature))
        || !find_field(fixture->heard, "Content-Digest", digest,
                       sizeof(digest)))
        return;
    const struct signed_answer covered = {
        .status = answer->status,
        .content_digest = digest,
        .next_nonce = answer->next_nonce,
        .request_signature = request_signature,
    };
    assert_int_equal(digest_check(digest, body, body_bytes, &fault), 0);
    assert_int_equal(signature_verify_answer(&fixture->key, &covered, input,
                                             signature, &fault),
                     0);
    answer->is_signed = true;
}

static size_t write_request(struct fixture *fixture, const char *method,
                            const char *target, const struct body *body,
                            const struct spoil *spoil, char *ret_signature)
{
    struct signature_fields fields = { .input = "" };
    struct fault fault = { 0 };
    char digest[DIGEST_FIELD_SIZE], path[256];
    const char *mark = strchr(target, '?');
    const char *type =
        spoil->content_type ? spoil->content_type : BODY_TYPE_JSON;

    (void) snprintf(path, sizeof(path), "%.*s", (int) strcspn(target, "?"),
                    target);
    digest_field(body->content, body->content_bytes, digest);
    const struct signed_request covered = {
        .method = method,
        .path = path,
        .query = mark ? mark + 1 : "",
        .content_type = type,
        .content_digest = digest,
    };
    if (!spoil->unsigned_request
        && signature_sign_request(
               spoil->key ? spoil->key : &fixture->key, &covered,
               spoil->nonce ? spoil->nonce : fixture->nonce, &fields, &fault)
               < 0)
        fail_msg("%s", fault.text);
    (void) snprintf(ret_signature, SIGNATURE_FIELD_SIZE, "%s",
                    fields.signature);
    int used = snprintf(fixture->request, REQUEST_BYTES,
                        "%s %s HTTP/1.1\r\nHost: agent\r\nContent-Type: %s\r\n"
                        "Content-Digest: %s\r\nContent-Length: %zu\r\n%s",
                        method, spoil->sent_path ? spoil->sent_path : target,
                        type, digest, body->content_bytes,
                        body->is_gzip ? "Content-Encoding: gzip\r\n" : "");
    if (!spoil->unsigned_request)
        used += snprintf(fixture->request + used, REQUEST_BYTES - (size_t) used,
                         "Signature-Input: %s\r\nSignature: %s\r\n",
                         fields.input, fields.signature);
    used += snprintf(fixture->request + used, REQUEST_BYTES - (size_t) used,
                     "\r\n");
    assert_true((size_t) used + body->content_bytes < REQUEST_BYTES);
    if (body->content_bytes > 0)
        memcpy(fixture->request + used,
               spoil->sent_body ? spoil->sent_body : body->content,
               body->content_bytes);
    return (size_t) used + body->content_bytes;
}

static void await(struct fixture *fixture, const char *request_signature)
{
    size_t body_bytes = 0;

    while (!whole_body(fixture, &body_bytes) && !fixture->has_ended)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    take_answer(fixture, request_signature);
    disconnect(fixture);
    if (fixture->answer.next_nonce[0])
        memcpy(fixture->nonce, fixture->answer.next_nonce, NONCE_SIZE);
}

static int ask_raw(struct fixture *fixture, const char *method,
                   const char *target, const struct body *body,
                   const struct spoil *spoil)
{
    char signature[SIGNATURE_FIELD_SIZE];

    fixture->request_bytes =
        write_request(fixture, method, target, body, spoil, signature);
    if (spoil->ret_request)
        memcpy(spoil->ret_request, fixture->request,
               fixture->request_bytes + 1);
    connect_and_send(fixture);
    await(fixture, signature);
    return fixture->answer.status;
}

/* body is taken; NULL: none. */
static int ask_spoilt(struct fixture *fixture, const char *method,
                      const char *target, json_t *body,
                      const struct spoil *spoil)
{
    struct body coded = { 0 };
    struct fault fault = { 0 };

    assert_int_equal(body_encode(body, &coded, &fault), 0);
    json_decref(body);
    const int status = ask_raw(fixture, method, target, &coded, spoil);
    body_clear(&coded);
    return status;
}

static int ask(struct fixture *fixture, const char *method, const char *target,
               json_t *body)
{
    const struct spoil nothing = { .unsigned_request = false };
    const int status = ask_spoilt(fixture, method, target, body, &nothing);

    /* Whoever has the key gets signed answers only. */
    if (!fixture->answer.is_signed)
        fail_msg("%s %s: %d, unsigned", method, target, status);
    return status;
}

static const char *said(const struct fixture *fixture, const char *key)
{
    const char *text =
        json_string_value(json_object_get(fixture->answer.json, key));

    return text ? text : "";
}

static void assert_problem(const struct fixture *fixture, const char *word,
                           const char *detail)
{
    char type[64];

    (void) snprintf(type, sizeof(type), "tag:bothends,2026:%s", word);
    assert_string_equal(said(fixture, "type"), type);
    if (!strstr(said(fixture, "detail"), detail))
        fail_msg("'%s' lacks '%s'", said(fixture, "detail"), detail);
    assert_int_equal(
        json_integer_value(json_object_get(fixture->answer.json, "status")),
        fixture->answer.status);
}

/* --- orders ----------------------------------------------------------------
 */

static struct exchange_order ping_order(const char *id, uint64_t count,
                                        uint64_t start_in_ms,
                                        uint64_t stop_in_ms)
{
    struct exchange_order order = { .seed = 7 };
    const struct ping_spec spec = {
        .count = count,
        .gap_ns = { SPREAD_FIXED, 20e6, 20e6, 20e6 },
        .size_bytes = 56,
        .wait_ns = 200 * NS_PER_MS,
    };

    (void) snprintf(order.id, sizeof(order.id), "%s", id);
    (void) snprintf(order.kind, sizeof(order.kind), "ping");
    (void) snprintf(order.part, sizeof(order.part), "prober");
    (void) snprintf(order.peer_name, sizeof(order.peer_name), "skerry");
    (void) snprintf(order.peer_address, sizeof(order.peer_address),
                    "127.0.0.1");
    order.start_ns = clock_now_ns() + start_in_ms * NS_PER_MS;
    order.stop_ns = clock_now_ns() + stop_in_ms * NS_PER_MS;
    memcpy(&order.spec, &spec, sizeof(spec));
    return order;
}

static json_t *order_json(const struct exchange_order *order)
{
    struct fault fault = { 0 };
    json_t *json = NULL;

    if (order_encode(order, &json, &fault) < 0)
        fail_msg("%s", fault.text);
    return json;
}

static int put_order(struct fixture *fixture,
                     const struct exchange_order *order)
{
    char target[64];

    (void) snprintf(target, sizeof(target), "/exchanges/%s", order->id);
    return ask(fixture, "PUT", target, order_json(order));
}

static void on_moment(uv_timer_t *timer)
{
    uv_stop(timer->loop);
}

static void run_for_ms(struct fixture *fixture, uint64_t moment_ms)
{
    (void) uv_timer_start(&fixture->moment, on_moment, moment_ms, 0);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
}

static void skip_without_icmp(void)
{
    struct self_abilities abilities;

    self_probe(&abilities);
    if (abilities.icmp == ICMP_NONE) {
        print_message("ICMP is not allowed here\n");
        skip();
    }
}

/* --- set-up ----------------------------------------------------------------
 */

static void start_service(struct fixture *fixture, bool has_key)
{
    struct fault fault = { 0 };
    const struct service_site site = {
        .loop = &fixture->loop,
        .addresses = { "127.0.0.1" },
        .address_count = 1,
        .port = 0,
        .key_file = has_key ? fixture->key_file : NULL,
        .spool_folder = fixture->spool_folder,
        .name = "hub",
        .config = &fixture->config,
    };

    fixture->is_closed = false;
    if (service_open(&site, &fixture->service, &fault) < 0)
        fail_msg("%s", fault.text);
}

static void on_closed(void *owner)
{
    struct fixture *fixture = owner;

    fixture->is_closed = true;
}

static void stop_service(struct fixture *fixture)
{
    service_close(fixture->service, on_closed, fixture);
    while (!fixture->is_closed)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void fill_config(struct agent_config *config)
{
    static const char *const words[] = {
        "/bin/sh", "-c",
        "test \"$0\" = breeze || { echo no radio >&2; exit 1; }", "{step}"
    };

    for (size_t i = 0; i < COUNT_OF(words); i++)
        config->step_command[i] = strdup(words[i]);
    (void) snprintf(config->steps[0], NAME_SIZE, "breeze");
    (void) snprintf(config->steps[1], NAME_SIZE, "fresh");
    config->step_count = 2;
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    fixture->request = malloc(REQUEST_BYTES);
    fixture->heard = malloc(ANSWER_BYTES);
    (void) uv_loop_init(&fixture->loop);
    (void) uv_timer_init(&fixture->loop, &fixture->deadline);
    (void) uv_timer_init(&fixture->loop, &fixture->moment);
    (void) uv_timer_start(&fixture->deadline, on_deadline, DEADLINE_MS, 0);
    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-test-XXXXXX");
    if (!mkdtemp(fixture->folder))
        return -1;
    (void) snprintf(fixture->key_file, sizeof(fixture->key_file), "%s/key",
                    fixture->folder);
    (void) snprintf(fixture->spool_folder, sizeof(fixture->spool_folder),
                    "%s/spool", fixture->folder);
    if (wire_key_create(fixture->key_file, &fault) < 0
        || wire_key_read(fixture->key_file, &fixture->key, &fault) < 0)
        fail_msg("%s", fault.text);
    fill_config(&fixture->config);
    start_service(fixture, true);
    /* The first nonce comes with an unsigned 401. */
    const struct spoil bare = { .unsigned_request = true };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    char command[128];

    disk_is_full = false;
    if (fixture->far) {
        fixture->service = fixture->far;
        stop_service(fixture);
        fixture->service = fixture->near;
    }
    stop_service(fixture);
    uv_close((uv_handle_t *) &fixture->deadline, NULL);
    uv_close((uv_handle_t *) &fixture->moment, NULL);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    json_decref(fixture->answer.json);
    config_clear(&fixture->config);
    (void) snprintf(command, sizeof(command), "rm -rf '%s'", fixture->folder);
    assert_int_equal(system(command), 0);
    free(fixture->request);
    free(fixture->heard);
    free(fixture);
    return 0;
}

/* --- promises: who may ask -------------------------------------------------
 */

static void a_signed_request_gets_a_signed_answer(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(ask(fixture, "GET", "/self", NULL), 200);
    assert_string_equal(said(fixture, "name"), "hub");
    assert_true(
        json_integer_value(json_object_get(fixture->answer.json, "now_ns"))
        > 0);
    assert_true(fixture->answer.next_nonce[0] != '\0');
}

static void an_unsigned_request_gets_a_nonce_and_nothing_else(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil bare = { .unsigned_request = true };

    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
    assert_false(fixture->answer.is_signed);
    assert_true(fixture->answer.next_nonce[0] != '\0');
    assert_null(json_object_get(fixture->answer.json, "name"));
    assert_problem(fixture, "signature", "");
}

static void a_request_with_another_key_is_refused(void **state)
{
    struct fixture *fixture = *state;
    struct wire_key other;

    wire_key_random(&other);
    const struct spoil wrong_key = { .key = &other };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &wrong_key),
                     401);
    assert_false(fixture->answer.is_signed);
    /* Also when it claims to be ours. */
    memcpy(other.id, fixture->key.id, sizeof(other.id));
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &wrong_key),
                     401);
    assert_int_equal(ask(fixture, "GET", "/self", NULL), 200);
}

static void a_request_whose_path_was_changed_is_refused(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil changed = { .sent_path = "/exchanges?ack=a1-1" };

    assert_int_equal(
        ask_spoilt(fixture, "GET", "/exchanges?ack=a2-1", NULL, &changed), 401);
}

static void a_body_that_was_changed_is_refused(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil changed = { .sent_body = "{\"name\":\"fresh!\"}" };

    assert_int_equal(ask_spoilt(fixture, "PUT", "/step",
                                json_pack("{s:s}", "name", "breeze"), &changed),
                     400);
    assert_problem(fixture, "body", "changed on the way");
}

static void a_request_that_is_played_again_is_refused(void **state)
{
    struct fixture *fixture = *state;
    char *copy = malloc(REQUEST_BYTES);
    const struct spoil keep = { .ret_request = copy };

    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &keep), 200);
    (void) snprintf(fixture->request, REQUEST_BYTES, "%s", copy);
    fixture->request_bytes = strlen(copy);
    connect_and_send(fixture);
    await(fixture, "");
    assert_int_equal(fixture->answer.status, 401);
    assert_false(fixture->answer.is_signed);
    free(copy);
}

static void a_nonce_that_was_not_given_out_is_refused(void **state)
{
    struct fixture *fixture = *state;
    char nonce[NONCE_SIZE];

    (void) snprintf(nonce, sizeof(nonce), "%s", fixture->nonce);
    char *last = &nonce[strlen(nonce) - 1];
    *last = *last == '0' ? '1' : '0';
    const struct spoil made_up = { .nonce = nonce };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &made_up), 401);
}

static void without_a_key_an_agent_does_not_listen_beyond_loopback(void **state)
{
    struct fixture *fixture = *state;
    struct service *service = NULL;
    struct fault fault = { 0 };
    const struct service_site site = {
        .loop = &fixture->loop,
        .addresses = { "0.0.0.0" },
        .address_count = 1,
        .spool_folder = fixture->folder,
        .name = "hub",
        .config = &fixture->config,
    };

    assert_int_equal(service_open(&site, &service, &fault), UV_EINVAL);
    assert_non_null(strstr(fault.text, "--new-key"));
}

static void without_a_key_this_computer_is_answered_unsigned(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil bare = { .unsigned_request = true };

    stop_service(fixture);
    start_service(fixture, false);
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 200);
    assert_false(fixture->answer.is_signed);
}

/* --- promises: what is asked -----------------------------------------------
 */

static void what_does_not_exist_is_told_in_signed_problems(void **state)
{
    static const struct {
        const char *method, *target;
        int status;
        const char *word, *detail;
    } cases[] = {
        { "GET", "/nowhere", 404, "unknown", "GET /nowhere" },
        { "GET", "/exchanges/A1", 404, "unknown", "/exchanges/A1" },
        { "GET", "/exchanges/a1-9", 404, "unknown", "not told" },
        { "DELETE", "/exchanges/a1-9", 404, "unknown", "not told" },
        { "DELETE", "/self", 405, "method", "DELETE /self" },
        { "GET", "/self?colour=red", 400, "mistake", "'colour'" },
        { "GET", "/exchanges/a1-9?wait_ms=x", 400, "mistake", "wait_ms" },
        { "GET", "/self?ack=%zz", 400, "mistake", "ack" },
        { "GET", "/way?bytes=1500", 400, "mistake", "to:" },
        { "GET", "/way?to=gale.example", 422, "no-way", "gale.example" },
        { "PUT", "/step", 400, "mistake", "body" },
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        print_message("%s %s\n", cases[i].method, cases[i].target);
        assert_int_equal(ask(fixture, cases[i].method, cases[i].target, NULL),
                         cases[i].status);
        assert_problem(fixture, cases[i].word, cases[i].detail);
    }
}

static void a_body_over_the_limit_is_refused_before_it_is_read(void **state)
{
    enum {
        BODY_BYTES = 70000
    };
    struct fixture *fixture = *state;
    struct body body = { .content = malloc(BODY_BYTES),
                         .content_bytes = BODY_BYTES };
    const struct spoil nothing = { .unsigned_request = false };

    memset(body.content, ' ', BODY_BYTES);
    assert_int_equal(
        ask_raw(fixture, "PUT", "/exchanges/a1-1", &body, &nothing), 413);
    assert_true(fixture->answer.is_signed);
    assert_problem(fixture, "too-large", "70000");
    body_clear(&body);
}

static void a_body_of_another_type_is_refused(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil text = { .content_type = "text/plain" };

    assert_int_equal(ask_spoilt(fixture, "PUT", "/step",
                                json_pack("{s:s}", "name", "breeze"), &text),
                     415);
}

static void mistakes_in_an_order_name_the_place(void **state)
{
    /* clang-format off */
    static const struct {
        const char *path; /* of the member changed */
        const char *value; /* JSON; NULL: taken away */
        const char *detail;
    } cases[] = {
        { "kind", "\"smoke\"", "smoke" },
        { "part", "\"drummer\"", "drummer" },
        { "colour", "\"red\"", "colour" },
        { "peer_address", "\"gale.example\"", "gale.example" },
        { "own_address", "\"192.0.2.77\"", "own_address" },
        { "interface", "\"nosuch0\"", "nosuch0" },
        { "start_ns", "1", "start_ns" },
        { "stop_ns", "1", "stop_ns" },
        { "stop_ns", "9007199254740991", "2 days" },
        { "peer_port", "65536", "peer_port" },
    };
    /* clang-format on */
    struct fixture *fixture = *state;

    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const struct exchange_order order = ping_order("a1-1", 3, 300, 5000);
        json_t *json = order_json(&order);

        print_message("%s: %s\n", cases[i].path, cases[i].value);
        (void) json_object_set_new(
            json, cases[i].path,
            json_loads(cases[i].value, JSON_DECODE_ANY, NULL));
        assert_int_equal(ask(fixture, "PUT", "/exchanges/a1-1", json), 422);
        assert_problem(fixture, "order", cases[i].detail);
    }
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1", NULL), 404);
}

/* --- promises: exchanges ---------------------------------------------------
 */

static void a_ping_runs_from_order_to_acknowledgement(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order = ping_order("a1-1-1", 5, 1000, 20000);
    struct exchange_account account;
    struct fault fault = { 0 };

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    assert_string_equal(said(fixture, "state"), "armed");
    assert_int_equal(put_order(fixture, &order), 200);
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 202);
    assert_int_equal(
        ask(fixture, "GET", "/exchanges/a1-1-1?wait_ms=10000", NULL), 200);

    memset(&account, 0, sizeof(account));
    if (account_decode(fixture->answer.json, &account, &fault) < 0)
        fail_msg("%s", fault.text);
    assert_int_equal(account.state, ACCOUNT_DONE);
    assert_string_equal(account.interface, "lo");
    assert_int_equal(account.series[0].count, 5);
    account_clear(&account);

    /* Told again, it is not run again. */
    assert_int_equal(put_order(fixture, &order), 200);
    assert_string_equal(said(fixture, "state"), "done");
    assert_int_equal(ask(fixture, "GET", "/exchanges", NULL), 200);
    assert_string_equal(json_string_value(json_array_get(
                            json_object_get(fixture->answer.json, "ids"), 0)),
                        "a1-1-1");
    assert_int_equal(ask(fixture, "GET", "/self?ack=x1-1,a1-1-1", NULL), 200);
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 404);
}

/* Speak to the other agent from now on. */
static void turn_to(struct fixture *fixture, struct service *service)
{
    const struct spoil bare = { .unsigned_request = true };

    fixture->service = service;
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
}

static struct exchange_order download_order(const char *id, const char *part,
                                            uint16_t peer_port,
                                            uint64_t size_bytes)
{
    struct exchange_order order = ping_order(id, 1, 400, 15000);
    const struct download_spec spec = { .size_bytes = size_bytes,
                                        .connections = 2 };

    (void) snprintf(order.kind, sizeof(order.kind), "download");
    (void) snprintf(order.part, sizeof(order.part), "%s", part);
    (void) snprintf(order.ticket, sizeof(order.ticket), "k7x2m9");
    order.peer_port = peer_port;
    memset(&order.spec, 0, sizeof(order.spec));
    memcpy(&order.spec, &spec, sizeof(spec));
    return order;
}

static void fetch_account(struct fixture *fixture, const char *id,
                          struct exchange_account *account)
{
    struct fault fault = { 0 };
    char target[96];

    (void) snprintf(target, sizeof(target), "/exchanges/%s?wait_ms=15000", id);
    assert_int_equal(ask(fixture, "GET", target, NULL), 200);
    memset(account, 0, sizeof(*account));
    if (account_decode(fixture->answer.json, account, &fault) < 0)
        fail_msg("%s", fault.text);
}

static void a_download_runs_between_two_agents(void **state)
{
    enum {
        SIZE_BYTES = 300000
    };
    struct fixture *fixture = *state;
    struct exchange_account account;
    uint64_t received_bytes = 0;

    fixture->near = fixture->service;
    (void) snprintf(fixture->spool_folder, sizeof(fixture->spool_folder),
                    "%s/far", fixture->folder);
    start_service(fixture, true);
    fixture->far = fixture->service;
    turn_to(fixture, fixture->far);
    struct exchange_order order = download_order(
        "a1-2-1", "receiver", service_port(fixture->near), SIZE_BYTES);
    assert_int_equal(put_order(fixture, &order), 201);
    turn_to(fixture, fixture->near);
    order = download_order("a1-2-1", "sender", service_port(fixture->far),
                           SIZE_BYTES);
    assert_int_equal(put_order(fixture, &order), 201);

    fetch_account(fixture, "a1-2-1", &account);
    if (account.trouble[0])
        print_message("%s\n", account.trouble);
    assert_int_equal(account.state, ACCOUNT_DONE);
    account_clear(&account);
    turn_to(fixture, fixture->far);
    fetch_account(fixture, "a1-2-1", &account);
    if (account.trouble[0])
        print_message("%s\n", account.trouble);
    assert_int_equal(account.state, ACCOUNT_DONE);
    for (size_t i = 0; i < account.series[0].count; i++) {
        const struct download_arrival *arrival = rows_at(&account.series[0], i);

        received_bytes += arrival->bytes;
    }
    assert_int_equal(received_bytes, SIZE_BYTES);
    account_clear(&account);
}

static void an_account_outlives_the_agent(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order = ping_order("a1-1-1", 2, 50, 5000);

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    assert_int_equal(
        ask(fixture, "GET", "/exchanges/a1-1-1?wait_ms=10000", NULL), 200);
    stop_service(fixture);
    start_service(fixture, true);
    const struct spoil bare = { .unsigned_request = true };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 200);
    assert_string_equal(said(fixture, "state"), "done");
}

static void an_old_nonce_is_worth_nothing_after_a_restart(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil nothing = { .unsigned_request = false };

    stop_service(fixture);
    start_service(fixture, true);
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &nothing), 401);
    assert_int_equal(ask(fixture, "GET", "/self", NULL), 200);
}

static void what_a_crash_cut_off_is_told_as_broken(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order = ping_order("a1-1-2", 2, 50, 5000);
    char path[160];

    /* As a killed agent leaves it: the order's mark, and no account. */
    stop_service(fixture);
    (void) snprintf(path, sizeof(path), "%s/a1-1-2.order",
                    fixture->spool_folder);
    json_t *json = order_json(&order);
    assert_int_equal(json_dump_file(json, path, 0), 0);
    json_decref(json);

    start_service(fixture, true);
    const struct spoil bare = { .unsigned_request = true };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
    assert_int_equal(
        ask(fixture, "GET", "/exchanges/a1-1-2?wait_ms=10000", NULL), 200);
    assert_string_equal(said(fixture, "state"), "broken");
    assert_non_null(strstr(said(fixture, "trouble"), "started anew"));
    assert_int_not_equal(access(path, F_OK), 0);
}

static void contact_lost_for_good_ends_it_by_its_stop_time(void **state)
{
    struct fixture *fixture = *state;
    char path[160];

    skip_without_icmp();
    (void) snprintf(path, sizeof(path), "%s/a1-1-1.json",
                    fixture->spool_folder);
    /* A thousand probes, for which there is no time. */
    const struct exchange_order order = ping_order("a1-1-1", 1000, 100, 1500);

    assert_int_equal(put_order(fixture, &order), 201);
    /* Nobody asks for it: it must end by itself. */
    while (access(path, F_OK) != 0
           && clock_now_ns() < order.stop_ns + 30 * NS_PER_S)
        (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    /* It lies in the spool a moment before it is given out. */
    assert_int_equal(
        ask(fixture, "GET", "/exchanges/a1-1-1?wait_ms=10000", NULL), 200);
    assert_string_equal(said(fixture, "state"), "stopped");
    const uint64_t ended_ns = (uint64_t) json_integer_value(
        json_object_get(fixture->answer.json, "ended_ns"));
    assert_true(ended_ns >= order.stop_ns);
}

static void a_cancelled_exchange_ends_now(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order =
        ping_order("a1-1-1", 100000, 50, 600000);

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    assert_int_equal(ask(fixture, "DELETE", "/exchanges/a1-1-1", NULL), 200);
    assert_string_equal(said(fixture, "state"), "cancelled");
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 200);
    assert_int_equal(ask(fixture, "DELETE", "/exchanges/a1-1-1", NULL), 200);
    assert_string_equal(said(fixture, "state"), "cancelled");
}

static void an_ending_agent_spools_what_it_was_doing(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order =
        ping_order("a1-1-1", 100000, 50, 600000);

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    stop_service(fixture);
    start_service(fixture, true);
    const struct spoil bare = { .unsigned_request = true };
    assert_int_equal(ask_spoilt(fixture, "GET", "/self", NULL, &bare), 401);
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 200);
    assert_string_equal(said(fixture, "state"), "cancelled");
}

static void another_run_is_told_who_is_here(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order first = ping_order("a1-1-1", 5, 60000, 90000);
    const struct exchange_order same_run =
        ping_order("a1-1-2", 5, 60000, 90000);
    const struct exchange_order other_run =
        ping_order("b7-1-1", 5, 60000, 90000);

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &first), 201);
    assert_int_equal(put_order(fixture, &same_run), 201);
    assert_int_equal(put_order(fixture, &other_run), 409);
    assert_problem(fixture, "busy", "'a1-1-");
    assert_problem(fixture, "busy", "skerry");
    assert_int_equal(ask(fixture, "DELETE", "/exchanges/a1-1-1", NULL), 200);
    assert_int_equal(ask(fixture, "DELETE", "/exchanges/a1-1-2", NULL), 200);
    assert_int_equal(put_order(fixture, &other_run), 201);
}

static void another_order_of_the_same_id_is_a_conflict(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_order order = ping_order("a1-1-1", 5, 60000, 90000);

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    /* Other times are taken over ... */
    order.start_ns += NS_PER_S;
    order.stop_ns += NS_PER_S;
    assert_int_equal(put_order(fixture, &order), 200);
    /* ... but it stays the same exchange. */
    order.seed++;
    assert_int_equal(put_order(fixture, &order), 409);
    assert_problem(fixture, "conflict", "a1-1-1");
}

static void a_full_disk_leaves_the_account_to_be_had_with_a_note(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order = ping_order("a1-1-1", 2, 50, 5000);

    skip_without_icmp();
    disk_is_full = true;
    assert_int_equal(put_order(fixture, &order), 201);
    assert_int_equal(
        ask(fixture, "GET", "/exchanges/a1-1-1?wait_ms=10000", NULL), 200);
    assert_string_equal(said(fixture, "state"), "done");
    assert_non_null(strstr(said(fixture, "trouble"), "no space left"));
    assert_int_equal(ask(fixture, "GET", "/self?ack=a1-1-1", NULL), 200);
    assert_int_equal(ask(fixture, "GET", "/exchanges/a1-1-1", NULL), 404);
}

static void an_ending_agent_waits_for_nobody(void **state)
{
    struct fixture *fixture = *state;
    const struct exchange_order order = ping_order("a1-1-1", 5, 60000, 90000);
    const struct body nothing = { .content_bytes = 0 };
    const struct spoil none = { .unsigned_request = false };
    char signature[SIGNATURE_FIELD_SIZE];

    skip_without_icmp();
    assert_int_equal(put_order(fixture, &order), 201);
    fixture->request_bytes =
        write_request(fixture, "GET", "/exchanges/a1-1-1?wait_ms=600000",
                      &nothing, &none, signature);
    connect_and_send(fixture);
    run_for_ms(fixture, 100);
    stop_service(fixture);
    while (!fixture->has_ended)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    disconnect(fixture);
    start_service(fixture, true);
}

static void an_ending_agent_ends_a_step_change(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil none = { .unsigned_request = false };
    struct body body = { .content_bytes = 0 };
    struct fault fault = { 0 };
    char signature[SIGNATURE_FIELD_SIZE];
    json_t *json = json_pack("{s:s}", "name", "breeze");

    free(fixture->config.step_command[2]);
    fixture->config.step_command[2] = strdup("sleep 15");
    assert_int_equal(body_encode(json, &body, &fault), 0);
    json_decref(json);
    fixture->request_bytes =
        write_request(fixture, "PUT", "/step", &body, &none, signature);
    body_clear(&body);
    connect_and_send(fixture);
    run_for_ms(fixture, 100);
    stop_service(fixture);
    disconnect(fixture);
    start_service(fixture, true);
}

/* --- promises: the rest ----------------------------------------------------
 */

static void steps_are_set_by_the_owners_list_only(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(
        ask(fixture, "PUT", "/step", json_pack("{s:s}", "name", "breeze")),
        200);
    assert_int_equal(
        ask(fixture, "PUT", "/step", json_pack("{s:s}", "name", "fresh")), 502);
    assert_problem(fixture, "step-failed", "no radio");
    assert_int_equal(
        ask(fixture, "PUT", "/step", json_pack("{s:s}", "name", "gale")), 403);
    assert_problem(fixture, "step-not-allowed", "gale");
    assert_int_equal(ask(fixture, "PUT", "/step",
                         json_pack("{s:s, s:s}", "name", "breeze", "run", "x")),
                     400);
}

static void the_way_to_an_address_is_told(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(ask(fixture, "GET", "/way?to=127.0.0.1&bytes=576", NULL),
                     200);
    assert_string_equal(said(fixture, "interface"), "lo");
    assert_non_null(json_object_get(fixture->answer.json, "echoes"));
}

static void the_udp_port_never_answers(void **state)
{
    static const char *const datagrams[] = {
        "",
        "hello",
        "bothends id ",
        "bothends id a1-1-1 end de Q0TEST",
    };
    struct fixture *fixture = *state;
    struct sockaddr_storage agent;
    char room[64];
    const int fd = socket(AF_INET, SOCK_DGRAM | SOCK_NONBLOCK, 0);

    (void) sockets_parse("127.0.0.1", service_port(fixture->service), &agent,
                         NULL);
    for (size_t i = 0; i < COUNT_OF(datagrams); i++)
        assert_int_equal(sendto(fd, datagrams[i], strlen(datagrams[i]), 0,
                                (const struct sockaddr *) &agent,
                                sizeof(struct sockaddr_in)),
                         strlen(datagrams[i]));
    /* An answered request shows that the loop has seen the datagrams. */
    assert_int_equal(ask(fixture, "GET", "/self", NULL), 200);
    assert_int_equal(recv(fd, room, sizeof(room), 0), -1);
    assert_int_equal(errno, EAGAIN);
    (void) close(fd);
}

static void a_ticket_that_was_not_given_opens_nothing(void **state)
{
    struct fixture *fixture = *state;
    const struct spoil bare = { .unsigned_request = true };

    assert_int_equal(ask_spoilt(fixture, "GET", "/data/abc/0", NULL, &bare),
                     404);
    assert_int_equal(ask_spoilt(fixture, "GET", "/data//0", NULL, &bare), 404);
}

#define PROMISE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

/* A network of our own keeps the pings in, and allows them. */
static void make_own_network(void)
{
    struct ifreq request = { .ifr_name = "lo" };

    if (unshare(CLONE_NEWNET) < 0 && unshare(CLONE_NEWUSER | CLONE_NEWNET) < 0)
        return;
    const int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return;
    request.ifr_flags = IFF_UP;
    if (ioctl(fd, SIOCSIFFLAGS, &request) < 0)
        print_message("the loopback interface is down\n");
    (void) close(fd);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PROMISE(a_signed_request_gets_a_signed_answer),
        PROMISE(an_unsigned_request_gets_a_nonce_and_nothing_else),
        PROMISE(a_request_with_another_key_is_refused),
        PROMISE(a_request_whose_path_was_changed_is_refused),
        PROMISE(a_body_that_was_changed_is_refused),
        PROMISE(a_request_that_is_played_again_is_refused),
        PROMISE(a_nonce_that_was_not_given_out_is_refused),
        PROMISE(without_a_key_an_agent_does_not_listen_beyond_loopback),
        PROMISE(without_a_key_this_computer_is_answered_unsigned),
        PROMISE(what_does_not_exist_is_told_in_signed_problems),
        PROMISE(a_body_over_the_limit_is_refused_before_it_is_read),
        PROMISE(a_body_of_another_type_is_refused),
        PROMISE(mistakes_in_an_order_name_the_place),
        PROMISE(a_ping_runs_from_order_to_acknowledgement),
        PROMISE(a_download_runs_between_two_agents),
        PROMISE(an_account_outlives_the_agent),
        PROMISE(an_old_nonce_is_worth_nothing_after_a_restart),
        PROMISE(what_a_crash_cut_off_is_told_as_broken),
        PROMISE(contact_lost_for_good_ends_it_by_its_stop_time),
        PROMISE(a_cancelled_exchange_ends_now),
        PROMISE(an_ending_agent_spools_what_it_was_doing),
        PROMISE(another_run_is_told_who_is_here),
        PROMISE(another_order_of_the_same_id_is_a_conflict),
        PROMISE(a_full_disk_leaves_the_account_to_be_had_with_a_note),
        PROMISE(an_ending_agent_waits_for_nobody),
        PROMISE(an_ending_agent_ends_a_step_change),
        PROMISE(steps_are_set_by_the_owners_list_only),
        PROMISE(the_way_to_an_address_is_told),
        PROMISE(the_udp_port_never_answers),
        PROMISE(a_ticket_that_was_not_given_opens_nothing),
    };

    make_own_network();
    if (sodium_init() < 0)
        return 1;
    return cmocka_run_group_tests_name("service", tests, NULL, NULL);
}
