/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/far_end.h"

#include "agent/wire/body.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* A request, cut into what the signature covers. */
struct request {
    char *path, *query; /* in target */
    char target[4096], method[8];
    char type[64], digest[128], input[512], signature[128], coding[16];
    const char *content;
    size_t content_bytes;
};

static void find_field(const char *head, const char *name, char *room,
                       size_t size)
{
    char needle[64];

    room[0] = '\0';
    (void) snprintf(needle, sizeof(needle), "\r\n%s: ", name);
    const char *at = strcasestr(head, needle);
    if (!at)
        return;
    at += strlen(needle);
    (void) snprintf(room, size, "%.*s", (int) strcspn(at, "\r"), at);
}

static const char *value_or_null(const char *value)
{
    return value[0] ? value : NULL;
}

/* --- sending -------------------------------------------------------------- */

struct sending {
    uv_write_t write;
    char *text;
};

static void on_sent(uv_write_t *write, int status)
{
    struct sending *sending = write->data;

    (void) status; /* the client may have gone */
    free(sending->text);
    free(sending);
}

static void send_bytes(struct far_connection *connection, const char *bytes,
                       size_t byte_count)
{
    struct sending *sending = calloc(1, sizeof(*sending));

    if (!sending)
        abort();
    sending->text = malloc(byte_count + 1);
    if (!sending->text)
        abort();
    memcpy(sending->text, bytes, byte_count);
    sending->write.data = sending;
    connection->far->sent_bytes += byte_count;
    const uv_buf_t buffer = uv_buf_init(sending->text, (unsigned) byte_count);
    if (uv_write(&sending->write, (uv_stream_t *) &connection->tcp, &buffer, 1,
                 on_sent)
        != 0)
        on_sent(&sending->write, 0);
}

static void refuse(struct far_connection *connection, const char *reason)
{
    struct far_end *far = connection->far;
    char text[1024], nonce[NONCE_SIZE];
    json_t *problem = problem_new(
        401, "signature", "Not signed as this agent expects", reason, NULL);
    char *body = json_dumps(problem, JSON_COMPACT);

    nonce_give(&far->mint, nonce);
    const int length = snprintf(text, sizeof(text),
                                "HTTP/1.1 401 Unauthorized\r\n"
                                "Content-Length: %zu\r\n"
                                "Content-Type: application/problem+json\r\n"
                                "Next-Nonce: %s\r\n\r\n%s",
                                strlen(body), nonce, body);
    send_bytes(connection, text, (size_t) length);
    free(body);
    json_decref(problem);
}

static char *sign_answer(struct far_end *far, const struct request *request,
                         const struct wire_key *key, int status,
                         const struct body *body, size_t *ret_bytes)
{
    char digest[DIGEST_FIELD_SIZE], nonce[NONCE_SIZE];
    struct signature_fields fields = { .input = "" };
    const struct signed_answer answer = { status, digest, nonce,
                                          request->signature };
    char *text = malloc(body->content_bytes + 1024);

    if (!text)
        abort();
    digest_field(body->content, body->content_bytes, digest);
    nonce_give(&far->mint, nonce);
    (void) signature_sign_answer(key, &answer, &fields, NULL);
    const int head = snprintf(
        text, 1024,
        "HTTP/1.1 %d OK\r\nContent-Length: %zu\r\n"
        "Content-Type: application/json\r\n%sContent-Digest: %s\r\n"
        "Next-Nonce: %s\r\nSignature-Input: %s\r\nSignature: %s\r\n\r\n",
        status, body->content_bytes,
        body->is_gzip ? "Content-Encoding: gzip\r\n" : "", digest, nonce,
        fields.input, fields.signature);
    if (body->content_bytes)
        memcpy(text + head, body->content, body->content_bytes);
    far->head_bytes_out = (size_t) head;
    *ret_bytes = (size_t) head + body->content_bytes;
    return text;
}

static json_t *make_content(const struct far_end *far, bool is_problem)
{
    json_t *json = NULL;

    if (is_problem)
        return problem_new(422, "order", "The order can't be carried out",
                           "order.gap_ns: found 3, expected 1000000 to 2",
                           "order.gap_ns");
    json = far->answer ? json_copy((json_t *) (uintptr_t) far->answer)
                       : json_object();
    (void) json_object_set_new(
        json, "now_ns",
        json_integer((json_int_t) uv_hrtime() + far->clock_ahead_ns));
    return json;
}

static void keep_answer(struct far_end *far, char *text, size_t bytes)
{
    free(far->last_answer);
    far->last_answer = text;
    far->last_answer_bytes = bytes;
}

static void answer(struct far_connection *connection,
                   const struct request *request, enum far_manner manner)
{
    struct far_end *far = connection->far;
    struct wire_key other;
    struct body body = { .content = NULL };
    json_t *json = make_content(far, manner == FAR_OBJECTS);
    size_t bytes = 0;

    wire_key_random(&other);
    (void) body_encode(json, &body, NULL);
    char *text =
        sign_answer(far, request, manner == FAR_OTHER_KEY ? &other : &far->key,
                    manner == FAR_OBJECTS ? 422 : 200, &body, &bytes);
    if (manner == FAR_TAMPERED)
        text[bytes - 2] ^= 1;
    send_bytes(connection, text, bytes);
    keep_answer(far, text, bytes);
    body_clear(&body);
    json_decref(json);
}

/* --- hearing -------------------------------------------------------------- */

static void on_connection_closed(uv_handle_t *handle)
{
    ((struct far_connection *) handle->data)->is_open = false;
}

static void hang_up(struct far_connection *connection)
{
    if (!uv_is_closing((uv_handle_t *) &connection->tcp))
        uv_close((uv_handle_t *) &connection->tcp, on_connection_closed);
}

static void behave(struct far_connection *connection,
                   const struct request *request)
{
    struct far_end *far = connection->far;
    const enum far_manner manner = far->manner_left ? far->manner : FAR_GOOD;
    static const char babble[] = "220 ready\r\n";
    static const char bare[] = "HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}";

    far->manner_left -= far->manner_left > 0;
    switch (manner) {
    case FAR_SILENT:
        return;
    case FAR_HANGS_UP:
        far->accepted_count++;
        hang_up(connection);
        return;
    case FAR_UNSIGNED:
        send_bytes(connection, bare, strlen(bare));
        return;
    case FAR_BABBLES:
        send_bytes(connection, babble, strlen(babble));
        hang_up(connection);
        return;
    case FAR_REPLAYED:
        send_bytes(connection, far->last_answer, far->last_answer_bytes);
        return;
    case FAR_FORGETFUL:
        nonce_mint_init(&far->mint, &far->key);
        refuse(connection, "the nonce was not given out since the start");
        return;
    case FAR_GOOD:
    case FAR_OTHER_KEY:
    case FAR_TAMPERED:
    case FAR_OBJECTS:
        far->accepted_count++;
        answer(connection, request, manner);
        return;
    }
}

static int check(struct far_end *far, const struct request *request,
                 struct fault *fault)
{
    const struct signed_request covered = {
        .method = request->method,
        .path = request->path,
        .query = request->query,
        .content_type = value_or_null(request->type),
        .content_digest = value_or_null(request->digest),
    };
    char nonce[NONCE_SIZE];
    int code = signature_verify_request(
        &far->key, &covered, value_or_null(request->input),
        value_or_null(request->signature), nonce, fault);

    if (!code)
        code = nonce_spend(&far->mint, nonce, fault);
    if (!code)
        code = digest_check(request->digest, request->content,
                            request->content_bytes, fault);
    return code;
}

static void note(struct far_end *far, const struct request *request,
                 const char *target)
{
    (void) snprintf(far->last_method, sizeof(far->last_method), "%s",
                    request->method);
    (void) snprintf(far->last_target, sizeof(far->last_target), "%s", target);
    (void) snprintf(far->last_coding, sizeof(far->last_coding), "%s",
                    request->coding);
    json_decref(far->last_body);
    far->last_body = NULL;
    (void) body_decode(request->content, request->content_bytes,
                       value_or_null(request->coding), &far->last_body, NULL);
}

static void serve(struct far_connection *connection, char *head,
                  const char *content, size_t content_bytes)
{
    struct far_end *far = connection->far;
    struct request request = { .content = content,
                               .content_bytes = content_bytes };
    struct fault fault = { 0 };
    char target[4096];

    far->request_count++;
    (void) sscanf(head, "%7s %4095s", request.method, target);
    (void) snprintf(request.target, sizeof(request.target), "%s", target);
    request.path = request.target;
    request.query = strchr(request.target, '?');
    if (request.query)
        *request.query++ = '\0';
    find_field(head, "Content-Type", request.type, sizeof(request.type));
    find_field(head, "Content-Digest", request.digest, sizeof(request.digest));
    find_field(head, "Content-Encoding", request.coding,
               sizeof(request.coding));
    find_field(head, "Signature-Input", request.input, sizeof(request.input));
    find_field(head, "Signature", request.signature, sizeof(request.signature));
    if (check(far, &request, &fault) != 0) {
        refuse(connection, fault.text);
        return;
    }
    note(far, &request, target);
    behave(connection, &request);
}

/* Serves the first whole request of what was heard; false: none is whole. */
static bool serve_one(struct far_connection *connection)
{
    char *end = strstr(connection->heard, "\r\n\r\n");
    char length[24];

    if (!end)
        return false;
    const size_t head_bytes = (size_t) (end + 4 - connection->heard);
    find_field(connection->heard, "Content-Length", length, sizeof(length));
    const size_t content_bytes = strtoull(length, NULL, 10);
    const size_t bytes = head_bytes + content_bytes;
    if (connection->heard_bytes < bytes)
        return false;
    connection->far->head_bytes_in = head_bytes;
    end[2] = '\0';
    serve(connection, connection->heard, end + 4, content_bytes);
    connection->heard_bytes -= bytes;
    memmove(connection->heard, connection->heard + bytes,
            connection->heard_bytes + 1);
    return true;
}

static void on_room(uv_handle_t *handle, size_t wanted_bytes, uv_buf_t *buffer)
{
    struct far_connection *connection = handle->data;

    (void) wanted_bytes;
    *buffer =
        uv_buf_init(connection->heard + connection->heard_bytes,
                    (unsigned) (FAR_ROOM_BYTES - connection->heard_bytes - 1));
}

static void on_heard(uv_stream_t *stream, ssize_t byte_count,
                     const uv_buf_t *buffer)
{
    struct far_connection *connection = stream->data;

    (void) buffer;
    if (byte_count < 0) {
        hang_up(connection);
        return;
    }
    connection->far->received_bytes += (uint64_t) byte_count;
    connection->heard_bytes += (size_t) byte_count;
    connection->heard[connection->heard_bytes] = '\0';
    while (serve_one(connection))
        continue;
}

static void on_connection(uv_stream_t *listener, int status)
{
    struct far_end *far = listener->data;
    struct far_connection *connection = far->connections;

    while (connection->is_open)
        connection++;
    if (status != 0 || connection == far->connections + FAR_CONNECTIONS_MAX)
        abort();
    memset(connection, 0, sizeof(*connection));
    connection->far = far;
    connection->is_open = true;
    (void) uv_tcp_init(far->loop, &connection->tcp);
    connection->tcp.data = connection;
    far->connection_count++;
    if (uv_accept(listener, (uv_stream_t *) &connection->tcp) != 0
        || uv_read_start((uv_stream_t *) &connection->tcp, on_room, on_heard)
               != 0)
        hang_up(connection);
}

/* --- open and close ------------------------------------------------------- */

static uint16_t port_of(const uv_tcp_t *listener)
{
    struct sockaddr_storage name;
    int size = sizeof(name);

    (void) uv_tcp_getsockname(listener, (struct sockaddr *) &name, &size);
    return ntohs(name.ss_family == AF_INET6
                     ? ((const struct sockaddr_in6 *) &name)->sin6_port
                     : ((const struct sockaddr_in *) &name)->sin_port);
}

int far_end_open(struct far_end *far, uv_loop_t *loop, const char *address,
                 const struct wire_key *key)
{
    struct sockaddr_storage name = { 0 };

    memset(far, 0, sizeof(*far));
    far->loop = loop;
    far->key = *key;
    nonce_mint_init(&far->mint, &far->key);
    if (strchr(address, ':'))
        (void) uv_ip6_addr(address, 0, (struct sockaddr_in6 *) &name);
    else
        (void) uv_ip4_addr(address, 0, (struct sockaddr_in *) &name);
    (void) uv_tcp_init(loop, &far->listener);
    far->listener.data = far;
    int code = uv_tcp_bind(&far->listener, (const struct sockaddr *) &name, 0);
    if (!code)
        code = uv_listen((uv_stream_t *) &far->listener, 16, on_connection);
    if (!code)
        far->port = port_of(&far->listener);
    return code;
}

void far_end_close(struct far_end *far)
{
    uv_close((uv_handle_t *) &far->listener, NULL);
    for (size_t i = 0; i < FAR_CONNECTIONS_MAX; i++) {
        if (far->connections[i].is_open)
            hang_up(&far->connections[i]);
    }
    json_decref(far->last_body);
    free(far->last_answer);
    far->last_body = NULL;
    far->last_answer = NULL;
}
