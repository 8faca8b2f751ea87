/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/client.h"

#include "controller/transfer.h"

#include "agent/wire/body.h"
#include "agent/wire/signature.h"

#include <bothends/units.h>
#include <stdlib.h>
#include <string.h>

#define PATH_SIZE 4096 /* a query may acknowledge a whole group */
#define URL_SIZE  (PATH_SIZE + 512)

/* Two clocks of ordinary quality part by no more than this: 100 ppm. */
#define DRIFT_DIVISOR 10000

/* Idle connections to keep: to each of a plan's ends, and some spare.  What
 * libcurl drops is a handshake more on the link. */
#define CONNECTIONS_MOST 80L

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
    struct lost lost;
    bool is_closing;
    void (*on_closed)(void *owner);
    void *owner; /* borrowed */
};

enum call_state {
    CALL_WAITING, /* for its turn of the loop */
    CALL_ASKING,  /* for a nonce, unsigned */
    CALL_SIGNED,
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
    struct fault fault; /* what keeps it from being tried */
    /* One try. */
    struct transfer *transfer;
    char nonce[NONCE_SIZE]; /* given to this call by a 401; "": none */
    bool has_asked;         /* one was: another 401 is no help */
    char digest[DIGEST_FIELD_SIZE];
    struct signature_fields signature;
    client_done_fn *on_done;
    void *owner; /* borrowed */
};

/* The flow of a call, top to bottom. */
static void on_kick(uv_timer_t *timer);
static int start_asking(struct client_call *call);
static int start_signed(struct client_call *call);
static void on_reply(void *owner, const struct transfer_reply *reply);
static void on_no_answer(struct client_call *call,
                         const struct transfer_reply *reply);
static void on_unsigned(struct client_call *call,
                        const struct transfer_reply *reply,
                        const struct fault *fault);
static void on_signed(struct client_call *call,
                      const struct transfer_reply *reply);
static void finish(struct client_call *call,
                   const struct client_answer *answer);

/* --- targets and clocks --------------------------------------------------- */

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

void client_keep_lost(struct client *client)
{
    lost_keep(&client->lost);
}

void client_reset_lost(struct client *client)
{
    lost_reset(&client->lost);
}

/* The uncertainty of a pair grows with its age. */
static bool is_better(uint64_t round_trip_ns, uint64_t now_ns,
                      const struct client_clock *than)
{
    const uint64_t age_ns = now_ns - than->own_ns;

    return !than->is_known
           || round_trip_ns / 2
                  <= than->uncertainty_ns + age_ns / DRIFT_DIVISOR;
}

/* The agent stamped now_ns somewhere between the request's leaving and the
 * answer's coming: the pair with the least round trip tells its clock best,
 * until it has grown old. */
static void note_clock(struct client_clock *clock,
                       const struct transfer_reply *reply, const json_t *json)
{
    const json_t *now = json_object_get(json, "now_ns");
    const uint64_t round_trip_ns = reply->answered_ns - reply->sent_ns;

    if (!json_is_integer(now) || json_integer_value(now) < 0)
        return;
    clock->latest_round_trip_ns = round_trip_ns;
    if (!is_better(round_trip_ns, reply->answered_ns, clock))
        return;
    clock->is_known = true;
    clock->least_round_trip_ns = round_trip_ns;
    clock->uncertainty_ns = round_trip_ns / 2;
    clock->agent_ns = (uint64_t) json_integer_value(now);
    clock->own_ns = reply->sent_ns + round_trip_ns / 2;
}

/* --- one try -------------------------------------------------------------- */

/* The zone of a link-local address ("fe80::1%radio0") is escaped (RFC 6874). */
static void make_url(const struct client_target *target, const char *path,
                     char *ret_url, size_t size)
{
    const char *address = target->address;
    const size_t length = strcspn(address, "%");
    const bool has_zone = address[length] == '%';
    const bool is_ipv6 = strchr(address, ':') != NULL;

    (void) snprintf(ret_url, size, "http://%s%.*s%s%s%s:%u%s",
                    is_ipv6 ? "[" : "", (int) length, address,
                    has_zone ? "%25" : "", has_zone ? address + length + 1 : "",
                    is_ipv6 ? "]" : "", target->port, path);
}

static int start_transfer(struct client_call *call, const char *method,
                          const char *path, const struct body *body,
                          const struct transfer_field *fields,
                          size_t field_count)
{
    struct client_target *target = call->target;
    char url[URL_SIZE];
    const struct transfer_request request = {
        .method = method,
        .url = url,
        .fields = fields,
        .field_count = field_count,
        .content = body ? body->content : NULL,
        .content_bytes = body ? body->content_bytes : 0,
        .timeout_ms = call->timeout_ms,
        .sent_bytes = &target->sent_bytes,
        .received_bytes = &target->received_bytes,
        .lost = &target->client->lost,
    };

    make_url(target, path, url, sizeof(url));
    return transfer_start(&target->client->curl, &request, on_reply, call,
                          &call->transfer, &call->fault);
}

/* Any unsigned request is answered with a nonce; this is the shortest. */
static int start_asking(struct client_call *call)
{
    call->state = CALL_ASKING;
    return start_transfer(call, "GET", "/self", NULL, NULL, 0);
}

static int sign_call(struct client_call *call)
{
    const size_t path_length = strcspn(call->path, "?");
    char path[PATH_SIZE];
    const struct signed_request request = {
        .method = call->method,
        .path = path,
        .query = call->path + path_length + (call->path[path_length] ? 1 : 0),
        .content_type = BODY_TYPE_JSON,
        .content_digest = call->digest,
    };

    (void) snprintf(path, sizeof(path), "%.*s", (int) path_length, call->path);
    digest_field(call->body.content, call->body.content_bytes, call->digest);
    return signature_sign_request(&call->target->key, &request, call->nonce,
                                  &call->signature, &call->fault);
}

static int start_signed(struct client_call *call)
{
    const struct transfer_field fields[] = {
        { "Content-Type", BODY_TYPE_JSON },
        { "Content-Digest", call->digest },
        { "Signature-Input", call->signature.input },
        { "Signature", call->signature.signature },
        { "Content-Encoding", "gzip" },
    };
    const int code = sign_call(call);

    if (code)
        return code;
    call->state = CALL_SIGNED;
    return start_transfer(call, call->method, call->path, &call->body, fields,
                          call->body.is_gzip ? 5 : 4);
}

/* Its own, from a 401, or the one of the last answer, which is spent so. */
static bool pick_nonce(struct client_call *call)
{
    struct client_target *target = call->target;

    if (!call->nonce[0]) {
        memcpy(call->nonce, target->nonce, sizeof(call->nonce));
        target->nonce[0] = '\0';
    }
    return call->nonce[0];
}

static void on_kick(uv_timer_t *timer)
{
    struct client_call *call = timer->data;
    struct client_answer answer = { .code = UV_ECANCELED, .text = "cancelled" };

    if (call->is_cancelled) {
        finish(call, &answer);
        return;
    }
    answer.code = call->fault.code;
    if (!answer.code)
        answer.code =
            pick_nonce(call) ? start_signed(call) : start_asking(call);
    if (!answer.code)
        return;
    (void) snprintf(answer.text, sizeof(answer.text), "%s: %.400s",
                    call->target->name, call->fault.text);
    finish(call, &answer);
}

static void try_again(struct client_call *call)
{
    transfer_free(call->transfer);
    call->transfer = NULL;
    call->state = CALL_WAITING;
    (void) uv_timer_start(&call->kick, on_kick, 0, 0);
}

/* --- what a try ends with ------------------------------------------------- */

static int verify_reply(const struct client_call *call,
                        const struct transfer_reply *reply, struct fault *fault)
{
    const struct signed_answer answer = {
        .status = reply->status,
        .content_digest = reply->digest,
        .next_nonce = reply->next_nonce,
        .request_signature = call->signature.signature,
    };

    if (call->state != CALL_SIGNED || !reply->input[0])
        return fault_set(fault, UV_EACCES, "it has no signature");
    const int code = signature_verify_answer(
        &call->target->key, &answer, reply->input, reply->signature, fault);
    return code ? code
                : digest_check(reply->digest, reply->content,
                               reply->content_bytes, fault);
}

static void on_reply(void *owner, const struct transfer_reply *reply)
{
    struct client_call *call = owner;
    struct fault fault = { .code = 0 };

    if (reply->code)
        on_no_answer(call, reply);
    else if (verify_reply(call, reply, &fault) != 0)
        on_unsigned(call, reply, &fault);
    else
        on_signed(call, reply);
}

static struct client_answer start_answer(int code,
                                         const struct transfer_reply *reply)
{
    return (struct client_answer){ .code = code,
                                   .sent_ns = reply->sent_ns,
                                   .received_ns = reply->answered_ns };
}

static void describe_no_answer(const struct client_call *call, int code,
                               char *text, size_t size)
{
    const struct client_target *target = call->target;

    if (code == UV_ECONNREFUSED)
        (void) snprintf(text, size,
                        "%s: no agent listens at %s port %u; is bothends-agent "
                        "running there?",
                        target->name, target->address, target->port);
    else if (code == UV_ETIMEDOUT)
        (void) snprintf(
            text, size, "%s: no answer from %s port %u within %.*f s",
            target->name, target->address, target->port,
            call->timeout_ms < 10000, (double) call->timeout_ms / 1000);
    else if (code == UV_ECONNRESET)
        (void) snprintf(text, size,
                        "%s: the connection to %s port %u broke off",
                        target->name, target->address, target->port);
    else if (code == UV_E2BIG)
        (void) snprintf(text, size,
                        "%s: the answer of %s is larger than %u MiB",
                        target->name, target->address, BODY_BYTES_MAX >> 20);
    else
        (void) snprintf(text, size, "%s: cannot reach %s port %u: %s",
                        target->name, target->address, target->port,
                        uv_strerror(code));
}

static void on_no_answer(struct client_call *call,
                         const struct transfer_reply *reply)
{
    struct client_answer answer = start_answer(reply->code, reply);
    const bool may_help =
        reply->code == UV_ETIMEDOUT || reply->code == UV_ECONNRESET;

    if (may_help && call->tries_left > 0) {
        call->tries_left--;
        call->has_asked = false;
        call->nonce[0] = '\0'; /* perhaps it was spent */
        try_again(call);
        return;
    }
    describe_no_answer(call, answer.code, answer.text, sizeof(answer.text));
    finish(call, &answer);
}

static void take_nonce(const struct transfer_reply *reply,
                       char ret_nonce[NONCE_SIZE])
{
    (void) snprintf(ret_nonce, NONCE_SIZE, "%.*s", NONCE_SIZE - 1,
                    reply->next_nonce);
}

/* What an unsigned refusal says is a hint from whoever sent it, no more. */
static void take_hint(const struct transfer_reply *reply, char *ret_hint,
                      size_t size)
{
    json_t *json = NULL;

    (void) snprintf(ret_hint, size, "no reason given");
    if (body_decode(reply->content, reply->content_bytes,
                    reply->coding[0] ? reply->coding : NULL, &json, NULL)
        == 0)
        problem_text(json, ret_hint, size);
    json_decref(json);
    for (char *at = ret_hint; *at; at++) {
        if (*at < 0x20 || *at > 0x7e)
            *at = '?';
    }
}

static void describe_unsigned(const struct client_call *call,
                              const struct transfer_reply *reply,
                              const char *reason, char *text, size_t size)
{
    const struct client_target *target = call->target;
    char hint[256];

    take_hint(reply, hint, sizeof(hint));
    if (reply->status == 401)
        (void) snprintf(text, size,
                        "%s: the agent at %s refuses our signature (%s); our "
                        "key is in '%s'",
                        target->name, target->address, hint, target->key_path);
    else if (reply->status >= 400 && !reply->input[0])
        (void) snprintf(text, size,
                        "%s: the answer of %s is not signed with the key in "
                        "'%s': status %d (%s)",
                        target->name, target->address, target->key_path,
                        reply->status, hint);
    else
        (void) snprintf(text, size,
                        "%s: the answer of %s is not signed with the key in "
                        "'%s': %.240s",
                        target->name, target->address, target->key_path,
                        reason);
}

/* An answer that can't be believed, but for the nonce of a 401, once a try. */
static void on_unsigned(struct client_call *call,
                        const struct transfer_reply *reply,
                        const struct fault *fault)
{
    struct client_answer answer = start_answer(UV_EACCES, reply);

    if (reply->status == 401 && reply->next_nonce[0] && !call->has_asked) {
        call->has_asked = true;
        take_nonce(reply, call->nonce);
        try_again(call);
        return;
    }
    describe_unsigned(call, reply, fault->text, answer.text,
                      sizeof(answer.text));
    finish(call, &answer);
}

static void on_signed(struct client_call *call,
                      const struct transfer_reply *reply)
{
    struct client_target *target = call->target;
    struct client_answer answer = start_answer(0, reply);
    struct fault fault = { .code = 0 };
    json_t *json = NULL;

    take_nonce(reply, target->nonce);
    answer.status = reply->status;
    answer.code =
        body_decode(reply->content, reply->content_bytes,
                    reply->coding[0] ? reply->coding : NULL, &json, &fault);
    if (answer.code) {
        (void) snprintf(answer.text, sizeof(answer.text),
                        "%s: cannot read the answer of %s: %s", target->name,
                        target->address, fault.text);
    } else if (reply->status >= 400) {
        char problem[1200];

        problem_text(json, problem, sizeof(problem));
        (void) snprintf(answer.text, sizeof(answer.text), "%s: %s",
                        target->name, problem);
    }
    note_clock(&target->clock, reply, json);
    answer.json = json;
    finish(call, &answer);
    json_decref(json);
}

/* --- begin and end of a call ---------------------------------------------- */

static void close_curl(struct client *client);

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
        close_curl(client);
}

/* The one way out of a call.  answer may hold what belongs to the transfer's
 * caller, but nothing of the transfer itself. */
static void finish(struct client_call *call, const struct client_answer *answer)
{
    transfer_free(call->transfer);
    call->transfer = NULL;
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

    if (!call)
        abort(); /* nothing can go on without it */
    call->target = target;
    call->timeout_ms = timeout_ms;
    call->tries_left = tries_most > 0 ? tries_most - 1 : 0;
    call->on_done = on_done;
    call->owner = owner;
    (void) snprintf(call->method, sizeof(call->method), "%s", method);
    (void) snprintf(call->path, sizeof(call->path), "%s", path);
    if (strlen(path) >= sizeof(call->path))
        (void) fault_set(&call->fault, UV_E2BIG,
                         "found a request of %zu bytes, expected at most %zu",
                         strlen(path), sizeof(call->path) - 1);
    (void) body_encode(body, &call->body, &call->fault);
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
    transfer_free(call->transfer);
    call->transfer = NULL;
    call->is_cancelled = true;
    (void) uv_timer_start(&call->kick, on_kick, 0, 0);
}

int client_open(uv_loop_t *loop, struct client **ret_client,
                struct fault *fault)
{
    struct client *client = calloc(1, sizeof(*client));

    if (!client || curl_global_init(CURL_GLOBAL_DEFAULT) != CURLE_OK
        || curl_loop_open(&client->curl, loop, transfer_ended, client) != 0) {
        free(client);
        return fault_set(fault, UV_ENOMEM, "cannot start libcurl");
    }
    (void) curl_multi_setopt(client->curl.multi, CURLMOPT_MAXCONNECTS,
                             CONNECTIONS_MOST);
    *ret_client = client;
    return 0;
}

static void on_curl_closed(void *owner)
{
    struct client *client = owner;
    void (*on_closed)(void *) = client->on_closed;
    void *closed_owner = client->owner;
    struct client_target *target = client->targets;

    lost_reset(&client->lost);
    while (target) {
        struct client_target *next = target->next;

        wire_key_clear(&target->key);
        free(target);
        target = next;
    }
    free(client);
    if (on_closed)
        on_closed(closed_owner);
}

static void close_curl(struct client *client)
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
        close_curl(client);
}
