/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/client.h"

#include "agent/wire/body.h"
#include "agent/wire/curl_loop.h"
#include "agent/wire/nonce.h"
#include "agent/wire/signature.h"

#include <bothends/units.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define URL_SIZE  2304
#define PATH_SIZE 2048

struct client_target {
    struct client_target *next;
    struct client *client; /* borrowed */
    char name[64], address[128];
    uint16_t port;
    struct wire_key key;
    char key_path[512];
    char nonce[NONCE_SIZE]; /* the next one to use; "": none */
    uint64_t sent_bytes, received_bytes;
    struct client_clock clock;
};

struct client {
    struct curl_loop curl;
    struct client_target *targets;
    struct client_call *calls;
    bool is_closing;
    void (*on_closed)(void *owner);
    void *owner; /* borrowed */
};

/* What came back in one try. */
struct reply {
    char digest[128], next_nonce[128], input[512], signature[128], coding[32];
    char *body;
    size_t body_bytes;
};

enum call_state {
    CALL_WAITING, /* for its turn of the loop */
    CALL_TRYING,
    CALL_OVER,
};

struct client_call {
    struct client_call *next;
    struct client_target *target; /* borrowed */
    enum call_state state;
    uv_timer_t kick; /* starts a try, from the loop */
    bool is_cancelled;
    char method[8], path[PATH_SIZE];
    struct body body;
    uint64_t timeout_ms;
    unsigned tries_left;
    bool had_fresh_nonce; /* this try's 401 was answered already */
    /* One try. */
    CURL *easy;
    struct curl_slist *fields;
    char nonce[NONCE_SIZE]; /* spent by this try; "": asks for one */
    struct signature_fields signature;
    uint64_t began_ns;
    struct reply reply;
    client_done_fn *on_done;
    void *owner; /* borrowed */
};

/* The flow of a call, top to bottom. */
static void on_kick(uv_timer_t *timer);
static int start_try(struct client_call *call, struct fault *fault);
static void on_transfer_done(void *owner, CURL *easy, CURLcode code);
static void on_reply(struct client_call *call, long status);
static void on_no_reply(struct client_call *call, CURLcode code);
static void finish(struct client_call *call, struct client_answer *answer);

/* --- targets and clocks
 * --------------------------------------------------------- */

struct client_target *client_add_target(struct client *client, const char *name,
                                        const char *address, uint16_t port,
                                        const struct wire_key *key,
                                        const char *key_path)
{
    struct client_target *target = calloc(1, sizeof(*target));

    if (!target)
        abort(); /* nothing can go on without it */
    target->client = client;
    (void) snprintf(target->name, sizeof(target->name), "%s", name);
    (void) snprintf(target->address, sizeof(target->address), "%s", address);
    (void) snprintf(target->key_path, sizeof(target->key_path), "%s", key_path);
    target->port = port;
    target->key = *key;
    target->next = client->targets;
    client->targets = target;
    return target;
}

uint64_t client_sent_bytes(const struct client_target *target)
{
    return target->sent_bytes;
}

uint64_t client_received_bytes(const struct client_target *target)
{
    return target->received_bytes;
}

struct client_clock client_clock(const struct client_target *target)
{
    return target->clock;
}

void client_forget_clock(struct client_target *target)
{
    target->clock = (struct client_clock){ .is_known = false };
}

/* Between the request's leaving and the answer's first byte the agent stamped
 * now_ns; the pair with the least round trip tells its clock best. */
static void note_clock(struct client_call *call, const json_t *json)
{
    struct client_clock *clock = &call->target->clock;
    const json_t *now = json_object_get(json, "now_ns");
    curl_off_t sent_us = 0, answered_us = 0;

    (void) curl_easy_getinfo(call->easy, CURLINFO_PRETRANSFER_TIME_T, &sent_us);
    (void) curl_easy_getinfo(call->easy, CURLINFO_STARTTRANSFER_TIME_T,
                             &answered_us);
    if (!json_is_integer(now) || json_integer_value(now) < 0
        || answered_us < sent_us)
        return;
    const uint64_t round_trip_ns =
        (uint64_t) (answered_us - sent_us) * NS_PER_US;

    clock->latest_round_trip_ns = round_trip_ns;
    if (clock->is_known && clock->least_round_trip_ns <= round_trip_ns)
        return;
    clock->is_known = true;
    clock->least_round_trip_ns = round_trip_ns;
    clock->uncertainty_ns = round_trip_ns / 2;
    clock->agent_ns = (uint64_t) json_integer_value(now);
    clock->own_ns =
        call->began_ns + (uint64_t) sent_us * NS_PER_US + round_trip_ns / 2;
}

/* --- one try
 * ---------------------------------------------------------------------- */

static void reply_clear(struct reply *reply)
{
    free(reply->body);
    memset(reply, 0, sizeof(*reply));
}

static void end_try(struct client_call *call)
{
    if (!call->easy)
        return;
    (void) curl_multi_remove_handle(call->target->client->curl.multi,
                                    call->easy);
    curl_easy_cleanup(call->easy);
    curl_slist_free_all(call->fields);
    call->easy = NULL;
    call->fields = NULL;
    reply_clear(&call->reply);
}

static bool add_field(struct client_call *call, const char *name,
                      const char *value)
{
    char line[512];

    (void) snprintf(line, sizeof(line), "%s: %s", name, value);
    struct curl_slist *longer = curl_slist_append(call->fields, line);
    if (longer)
        call->fields = longer;
    return longer != NULL;
}

/* path and query of "/way?to=...". */
static void split_path(const char *path, char *ret_path, size_t size,
                       const char **ret_query)
{
    const size_t length = strcspn(path, "?");

    (void) snprintf(ret_path, size, "%.*s", (int) length, path);
    *ret_query = path[length] ? path + length + 1 : "";
}

static int add_fields(struct client_call *call, struct fault *fault)
{
    char digest[DIGEST_FIELD_SIZE], path[PATH_SIZE];
    struct signed_request request = { .method = call->method,
                                      .path = path,
                                      .content_type = BODY_TYPE_JSON,
                                      .content_digest = digest };

    split_path(call->path, path, sizeof(path), &request.query);
    digest_field(call->body.content, call->body.content_bytes, digest);
    const int code = signature_sign_request(
        &call->target->key, &request, call->nonce, &call->signature, fault);
    if (code)
        return code;
    if (!add_field(call, "Content-Type", BODY_TYPE_JSON)
        || !add_field(call, "Content-Digest", digest)
        || (call->body.is_gzip && !add_field(call, "Content-Encoding", "gzip"))
        || !add_field(call, "Signature-Input", call->signature.input)
        || !add_field(call, "Signature", call->signature.signature))
        return fault_set(fault, UV_ENOMEM, "out of memory");
    return 0;
}

static void take_field(const char *line, size_t length, const char *name,
                       char *room, size_t size)
{
    const size_t name_length = strlen(name);

    if (length <= name_length || line[name_length] != ':'
        || strncasecmp(line, name, name_length) != 0)
        return;
    const char *value = line + name_length + 1;
    size_t left = length - name_length - 1;
    while (left && (*value == ' ' || *value == '\t')) {
        value++;
        left--;
    }
    while (left && strchr(" \t\r\n", value[left - 1]))
        left--;
    (void) snprintf(room, size, "%.*s", (int) left, value);
}

static size_t on_head_line(char *line, size_t size, size_t count, void *owner)
{
    struct reply *reply = &((struct client_call *) owner)->reply;
    const size_t length = size * count;

    take_field(line, length, "Content-Digest", reply->digest,
               sizeof(reply->digest));
    take_field(line, length, "Next-Nonce", reply->next_nonce,
               sizeof(reply->next_nonce));
    take_field(line, length, "Signature-Input", reply->input,
               sizeof(reply->input));
    take_field(line, length, "Signature", reply->signature,
               sizeof(reply->signature));
    take_field(line, length, "Content-Encoding", reply->coding,
               sizeof(reply->coding));
    return length;
}

static size_t on_body_piece(char *piece, size_t size, size_t count, void *owner)
{
    struct reply *reply = &((struct client_call *) owner)->reply;
    const size_t length = size * count;

    if (reply->body_bytes + length > BODY_BYTES_MAX)
        return 0; /* libcurl ends the transfer */
    char *larger = realloc(reply->body, reply->body_bytes + length + 1);
    if (!larger)
        return 0;
    memcpy(larger + reply->body_bytes, piece, length);
    reply->body = larger;
    reply->body_bytes += length;
    return length;
}

static void set_options(struct client_call *call, const char *url)
{
    CURL *easy = call->easy;
    /* Without a nonce the request only asks for one: no body then. */
    const bool has_body = call->nonce[0] && call->body.content_bytes;

    (void) curl_easy_setopt(easy, CURLOPT_URL, url);
    (void) curl_easy_setopt(easy, CURLOPT_PRIVATE, call);
    (void) curl_easy_setopt(easy, CURLOPT_PATH_AS_IS, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_PROXY, "");
    (void) curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_HTTP_VERSION,
                            (long) CURL_HTTP_VERSION_1_1);
    (void) curl_easy_setopt(easy, CURLOPT_TCP_KEEPALIVE, 0L);
    /* A connection may have been silent for as long as an exchange lasts. */
    (void) curl_easy_setopt(easy, CURLOPT_MAXAGE_CONN, 7L * 86400);
    (void) curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, (long) call->timeout_ms);
    (void) curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS,
                            (long) call->timeout_ms);
    (void) curl_easy_setopt(easy, CURLOPT_HEADERFUNCTION, on_head_line);
    (void) curl_easy_setopt(easy, CURLOPT_HEADERDATA, call);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_body_piece);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEDATA, call);
    (void) curl_easy_setopt(easy, CURLOPT_HTTPHEADER, call->fields);
    if (has_body || strcmp(call->method, "PUT") == 0) {
        (void) curl_easy_setopt(easy, CURLOPT_POSTFIELDSIZE_LARGE,
                                has_body ? (curl_off_t) call->body.content_bytes
                                         : 0);
        (void) curl_easy_setopt(easy, CURLOPT_POSTFIELDS,
                                has_body ? call->body.content : "");
    }
    (void) curl_easy_setopt(easy, CURLOPT_CUSTOMREQUEST, call->method);
}

static int start_try(struct client_call *call, struct fault *fault)
{
    struct client_target *target = call->target;
    const bool is_ipv6 = strchr(target->address, ':') != NULL;
    char url[URL_SIZE];

    (void) snprintf(call->nonce, sizeof(call->nonce), "%s", target->nonce);
    target->nonce[0] = '\0'; /* spent */
    (void) snprintf(url, sizeof(url), "http://%s%s%s:%u%s", is_ipv6 ? "[" : "",
                    target->address, is_ipv6 ? "]" : "", target->port,
                    call->path);
    call->easy = curl_easy_init();
    if (!call->easy || !add_field(call, "Accept", "")
        || !add_field(call, "Expect", ""))
        return fault_set(fault, UV_ENOMEM, "out of memory");
    const int code = call->nonce[0] ? add_fields(call, fault) : 0;
    if (code)
        return code;
    set_options(call, url);
    call->state = CALL_TRYING;
    call->began_ns = uv_hrtime();
    if (curl_multi_add_handle(target->client->curl.multi, call->easy)
        != CURLM_OK)
        return fault_set(fault, UV_ENOMEM, "cannot start a transfer");
    return 0;
}

static void on_kick(uv_timer_t *timer)
{
    struct client_call *call = timer->data;
    struct client_answer answer = { .code = UV_ECANCELED };
    struct fault fault = { .code = 0 };

    if (call->is_cancelled) {
        (void) snprintf(answer.text, sizeof(answer.text), "cancelled");
        finish(call, &answer);
        return;
    }
    answer.code = start_try(call, &fault);
    if (!answer.code)
        return;
    (void) snprintf(answer.text, sizeof(answer.text), "%s", fault.text);
    finish(call, &answer);
}

static void count_bytes(struct client_call *call)
{
    long request_bytes = 0, head_bytes = 0;
    curl_off_t sent_bytes = 0, received_bytes = 0;

    (void) curl_easy_getinfo(call->easy, CURLINFO_REQUEST_SIZE, &request_bytes);
    (void) curl_easy_getinfo(call->easy, CURLINFO_HEADER_SIZE, &head_bytes);
    (void) curl_easy_getinfo(call->easy, CURLINFO_SIZE_UPLOAD_T, &sent_bytes);
    (void) curl_easy_getinfo(call->easy, CURLINFO_SIZE_DOWNLOAD_T,
                             &received_bytes);
    call->target->sent_bytes +=
        (uint64_t) request_bytes + (uint64_t) sent_bytes;
    call->target->received_bytes +=
        (uint64_t) head_bytes + (uint64_t) received_bytes;
}

static void on_transfer_done(void *owner, CURL *easy, CURLcode code)
{
    struct client_call *call = NULL;
    long status = 0;

    (void) owner;
    (void) curl_easy_getinfo(easy, CURLINFO_PRIVATE, &call);
    (void) curl_easy_getinfo(easy, CURLINFO_RESPONSE_CODE, &status);
    count_bytes(call);
    if (code == CURLE_OK)
        on_reply(call, status);
    else
        on_no_reply(call, code);
}

/* --- what a try ends with
 * ------------------------------------------------------------ */

static void try_again(struct client_call *call)
{
    end_try(call);
    call->state = CALL_WAITING;
    (void) uv_timer_start(&call->kick, on_kick, 0, 0);
}

static void fill_times(const struct client_call *call,
                       struct client_answer *answer)
{
    answer->sent_ns = call->began_ns;
    answer->received_ns = uv_hrtime();
}

static int code_of(const struct client_call *call, CURLcode code)
{
    long os_error = 0;

    (void) curl_easy_getinfo(call->easy, CURLINFO_OS_ERRNO, &os_error);
    if (code == CURLE_OPERATION_TIMEDOUT)
        return UV_ETIMEDOUT;
    if (code == CURLE_COULDNT_RESOLVE_HOST)
        return UV_EAI_NONAME;
    if (code == CURLE_COULDNT_CONNECT)
        return os_error ? (int) -os_error : UV_ECONNREFUSED;
    return UV_ECONNRESET;
}

static void describe_no_reply(const struct client_call *call, int code,
                              char *text, size_t size)
{
    const struct client_target *target = call->target;

    if (code == UV_ECONNREFUSED)
        (void) snprintf(text, size,
                        "%s: nothing listens at %s port %u; is bothends-agent "
                        "running there?",
                        target->name, target->address, target->port);
    else if (code == UV_ETIMEDOUT)
        (void) snprintf(text, size,
                        "%s: no answer from %s port %u within %llu s",
                        target->name, target->address, target->port,
                        (unsigned long long) (call->timeout_ms / 1000));
    else if (code == UV_ECONNRESET)
        (void) snprintf(text, size,
                        "%s: the connection to %s port %u broke off",
                        target->name, target->address, target->port);
    else
        (void) snprintf(text, size, "%s: cannot reach %s port %u: %s",
                        target->name, target->address, target->port,
                        uv_strerror(code));
}

static void on_no_reply(struct client_call *call, CURLcode code)
{
    struct client_answer answer = { .code = code_of(call, code) };
    const bool is_worth_repeating =
        answer.code == UV_ETIMEDOUT || answer.code == UV_ECONNRESET;

    if (call->tries_left > 0 && is_worth_repeating && !call->is_cancelled) {
        call->tries_left--;
        call->had_fresh_nonce = false;
        try_again(call);
        return;
    }
    fill_times(call, &answer);
    describe_no_reply(call, answer.code, answer.text, sizeof(answer.text));
    finish(call, &answer);
}

/* The problem of an unsigned answer is a hint, no more. */
static void describe_refusal(struct client_call *call, long status, char *text,
                             size_t size)
{
    const struct client_target *target = call->target;
    struct fault fault = { .code = 0 };
    json_t *json = NULL;
    char hint[256] = "no reason given";

    if (body_decode(call->reply.body, call->reply.body_bytes,
                    call->reply.coding[0] ? call->reply.coding : NULL, &json,
                    &fault)
            == 0
        && json)
        problem_text(json, hint, sizeof(hint));
    json_decref(json);
    if (status == 401)
        (void) snprintf(text, size,
                        "%s: the agent at %s refuses our signature (%s); our "
                        "key file is '%s'",
                        target->name, target->address, hint, target->key_path);
    else
        (void) snprintf(text, size,
                        "%s: the answer of %s (status %ld) is not signed with "
                        "the key in '%s'",
                        target->name, target->address, status,
                        target->key_path);
}

static int verify_reply(const struct client_call *call, long status,
                        struct fault *fault)
{
    const struct reply *reply = &call->reply;
    const struct signed_answer answer = { .status = (int) status,
                                          .content_digest = reply->digest,
                                          .next_nonce = reply->next_nonce,
                                          .request_signature =
                                              call->signature.signature };
    const int code =
        digest_check(reply->digest, reply->body, reply->body_bytes, fault);

    if (code)
        return code;
    return signature_verify_answer(&call->target->key, &answer, reply->input,
                                   reply->signature, fault);
}

static void take_nonce(struct client_call *call)
{
    struct client_target *target = call->target;

    if (strlen(call->reply.next_nonce) < sizeof(target->nonce))
        (void) snprintf(target->nonce, sizeof(target->nonce), "%.47s",
                        call->reply.next_nonce);
}

/* An answer that cannot be believed. */
static void on_unsigned(struct client_call *call, long status,
                        const struct fault *fault)
{
    struct client_answer answer = { .code = UV_EACCES };

    if (status == 401 && call->reply.next_nonce[0] && !call->had_fresh_nonce
        && !call->is_cancelled) {
        call->had_fresh_nonce = true;
        take_nonce(call);
        try_again(call);
        return;
    }
    fill_times(call, &answer);
    if (call->reply.input[0] && status != 401)
        (void) snprintf(answer.text, sizeof(answer.text),
                        "%s: the answer of %s is not to be believed: %.300s",
                        call->target->name, call->target->address, fault->text);
    else
        describe_refusal(call, status, answer.text, sizeof(answer.text));
    finish(call, &answer);
}

static void on_reply(struct client_call *call, long status)
{
    struct client_answer answer = { .code = 0, .status = (int) status };
    struct fault fault = { .code = 0 };
    json_t *json = NULL;

    if (!call->nonce[0] || verify_reply(call, status, &fault) != 0) {
        on_unsigned(call, status, &fault);
        return;
    }
    take_nonce(call);
    answer.code = body_decode(call->reply.body, call->reply.body_bytes,
                              call->reply.coding[0] ? call->reply.coding : NULL,
                              &json, &fault);
    if (answer.code)
        (void) snprintf(answer.text, sizeof(answer.text), "%s: %.400s",
                        call->target->name, fault.text);
    else if (status >= 400) {
        char problem[400];

        problem_text(json, problem, sizeof(problem));
        (void) snprintf(answer.text, sizeof(answer.text), "%s: %s",
                        call->target->name, problem);
    }
    note_clock(call, json);
    fill_times(call, &answer);
    answer.json = json;
    finish(call, &answer);
    json_decref(json);
}

/* --- begin and end of a call
 * ------------------------------------------------------- */

static void client_finish_close(struct client *client);

static void on_kick_closed(uv_handle_t *handle)
{
    struct client_call *call = handle->data;
    struct client *client = call->target->client;
    struct client_call **link = &client->calls;

    while (*link != call)
        link = &(*link)->next;
    *link = call->next;
    body_clear(&call->body);
    free(call);
    if (client->is_closing && !client->calls)
        client_finish_close(client);
}

/* The one way out of a call. */
static void finish(struct client_call *call, struct client_answer *answer)
{
    end_try(call);
    call->state = CALL_OVER;
    (void) uv_timer_stop(&call->kick);
    call->on_done(call->owner, answer);
    uv_close((uv_handle_t *) &call->kick, on_kick_closed);
}

struct client_call *client_start(struct client_target *target,
                                 const char *method, const char *path,
                                 const json_t *body, uint64_t timeout_ms,
                                 unsigned tries_most, client_done_fn *on_done,
                                 void *owner)
{
    struct client *client = target->client;
    struct client_call *call = calloc(1, sizeof(*call));
    struct fault fault = { .code = 0 };

    if (!call || strlen(path) >= sizeof(call->path)
        || body_encode(body, &call->body, &fault) != 0)
        abort(); /* memory is out, or our own mistake */
    call->target = target;
    call->timeout_ms = timeout_ms;
    call->tries_left = tries_most > 0 ? tries_most - 1 : 0;
    call->on_done = on_done;
    call->owner = owner;
    (void) snprintf(call->method, sizeof(call->method), "%s", method);
    (void) snprintf(call->path, sizeof(call->path), "%s", path);
    (void) uv_timer_init(client->curl.loop, &call->kick);
    call->kick.data = call;
    (void) uv_timer_start(&call->kick, on_kick, 0, 0);
    call->next = client->calls;
    client->calls = call;
    return call;
}

void client_cancel(struct client_call *call)
{
    if (call->state == CALL_OVER)
        return;
    end_try(call);
    call->is_cancelled = true;
    (void) uv_timer_start(&call->kick, on_kick, 0, 0);
}

int client_open(uv_loop_t *loop, struct client **ret_client,
                struct fault *fault)
{
    struct client *client = calloc(1, sizeof(*client));

    if (!client || curl_global_init(CURL_GLOBAL_DEFAULT) != CURLE_OK) {
        free(client);
        return fault_set(fault, UV_ENOMEM, "cannot start libcurl");
    }
    const int code =
        curl_loop_open(&client->curl, loop, on_transfer_done, client);
    if (code) {
        free(client);
        return fault_set(fault, code, "cannot start libcurl");
    }
    *ret_client = client;
    return 0;
}

static void on_curl_closed(void *owner)
{
    struct client *client = owner;
    void (*on_closed)(void *) = client->on_closed;
    void *closed_owner = client->owner;

    for (struct client_target *target = client->targets; target;) {
        struct client_target *next = target->next;

        wire_key_clear(&target->key);
        free(target);
        target = next;
    }
    free(client);
    if (on_closed)
        on_closed(closed_owner);
}

static void client_finish_close(struct client *client)
{
    curl_loop_close(&client->curl, on_curl_closed);
}

void client_close(struct client *client, void (*on_closed)(void *owner),
                  void *owner)
{
    client->is_closing = true;
    client->on_closed = on_closed;
    client->owner = owner;
    for (struct client_call *call = client->calls; call; call = call->next)
        client_cancel(call);
    if (!client->calls)
        client_finish_close(client);
}
