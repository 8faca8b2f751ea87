/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/gate.h"

#include "agent/log.h"
#include "agent/memory.h"
#include "agent/sockets.h"
#include "agent/wire/body.h"
#include "agent/wire/nonce.h"
#include "agent/wire/signature.h"

#include <uv.h>

#define FIELDS_MAX 6

struct gate {
    bool has_key;
    struct wire_key key;
    struct nonce_mint mint;
};

struct gate_pass {
    bool is_signed;
    char *digest, *coding, *signature; /* header values; NULL: not there */
};

int gate_open(const char *key_file, struct gate **ret_gate, struct fault *fault)
{
    struct gate *gate = mem_new(struct gate);

    if (key_file) {
        const int result = wire_key_read(key_file, &gate->key, fault);
        if (result < 0) {
            gate_close(gate);
            return result;
        }
        gate->has_key = true;
        nonce_mint_init(&gate->mint, &gate->key);
    }
    *ret_gate = gate;
    return 0;
}

void gate_close(struct gate *gate)
{
    if (!gate)
        return;
    wire_key_clear(&gate->key);
    free(gate);
}

bool gate_has_key(const struct gate *gate)
{
    return gate->has_key;
}

/* An unsigned answer; next_nonce may be NULL. */
static void refuse(struct http_request *request, unsigned status,
                   const char *word, const char *title, const char *detail,
                   const char *next_nonce)
{
    const struct http_field fields[] = {
        { "Content-Type", BODY_TYPE_PROBLEM },
        { "Next-Nonce", next_nonce },
    };
    json_t *problem = problem_new((int) status, word, title, detail, NULL);
    char *text = mem_checked(json_dumps(problem, JSON_COMPACT));

    http_reply(request, status, fields, next_nonce ? 2 : 1, text, strlen(text));
    free(text);
    json_decref(problem);
}

static int check_signature(struct gate *gate, struct http_request *request,
                           struct fault *fault)
{
    char nonce[NONCE_SIZE];
    const struct signed_request signed_request = {
        .method = http_method(request),
        .path = http_path(request),
        .query = http_query(request),
        .content_type = http_header(request, "Content-Type"),
        .content_digest = http_header(request, "Content-Digest"),
    };
    if (!signed_request.content_type || !signed_request.content_digest)
        return fault_set(fault, UV_EACCES,
                         "content-type or content-digest is missing, expected "
                         "both, signed");
    const int result = signature_verify_request(
        &gate->key, &signed_request, http_header(request, "Signature-Input"),
        http_header(request, "Signature"), nonce, fault);
    if (result < 0)
        return result;
    return nonce_spend(&gate->mint, nonce, fault);
}

static char *keep_header(struct http_request *request, const char *name)
{
    const char *value = http_header(request, name);

    return value ? mem_text(value) : NULL;
}

struct gate_pass *gate_check_head(struct gate *gate,
                                  struct http_request *request)
{
    struct fault fault = { 0 };
    char nonce[NONCE_SIZE];

    if (!gate->has_key && !sockets_is_loopback(http_peer(request))) {
        refuse(request, 403, "no-key", "This agent has no key",
               "without a key it answers its own computer only", NULL);
        return NULL;
    }
    if (gate->has_key && check_signature(gate, request, &fault) < 0) {
        char peer[SOCKETS_TEXT_SIZE];

        log_info("gate: refused a request from %s: %s",
                 sockets_print(http_peer(request), peer), fault.text);
        nonce_give(&gate->mint, nonce);
        refuse(request, 401, "signature", "Not signed as this agent expects",
               fault.text, nonce);
        return NULL;
    }
    struct gate_pass *pass = mem_new(struct gate_pass);
    pass->is_signed = gate->has_key;
    pass->digest = keep_header(request, "Content-Digest");
    pass->coding = keep_header(request, "Content-Encoding");
    pass->signature = keep_header(request, "Signature");
    return pass;
}

void gate_pass_free(struct gate_pass *pass)
{
    if (!pass)
        return;
    free(pass->digest);
    free(pass->coding);
    free(pass->signature);
    free(pass);
}

int gate_check_body(const struct gate_pass *pass, const void *body,
                    size_t body_bytes, json_t **ret_json, struct fault *fault)
{
    if (pass->is_signed) {
        const int result = digest_check(pass->digest, body, body_bytes, fault);
        if (result < 0)
            return result;
    }
    return body_decode(body, body_bytes, pass->coding, ret_json, fault);
}

static void add_field(struct http_field *fields, size_t *count,
                      const char *name, const char *value)
{
    fields[(*count)++] = (struct http_field){ name, value };
}

void gate_answer(struct gate *gate, const struct gate_pass *pass,
                 struct http_request *request, unsigned status,
                 const char *content_type, const json_t *json)
{
    struct http_field fields[FIELDS_MAX];
    size_t field_count = 0;
    struct signature_fields signature = { 0 };
    char digest[DIGEST_FIELD_SIZE], nonce[NONCE_SIZE];
    struct body body = { 0 };
    struct fault fault = { 0 };
    int result = body_encode(json, &body, &fault);

    if (result == 0 && pass->is_signed) {
        digest_field(body.content, body.content_bytes, digest);
        nonce_give(&gate->mint, nonce);
        const struct signed_answer answer = {
            .status = (int) status,
            .content_digest = digest,
            .next_nonce = nonce,
            .request_signature = pass->signature,
        };
        result = signature_sign_answer(&gate->key, &answer, &signature, &fault);
    }
    if (result < 0) {
        log_error("gate: cannot answer: %s", fault.text);
        http_abort(request);
        body_clear(&body);
        return;
    }
    add_field(fields, &field_count, "Content-Type", content_type);
    if (body.is_gzip)
        add_field(fields, &field_count, "Content-Encoding", "gzip");
    if (pass->is_signed) {
        add_field(fields, &field_count, "Content-Digest", digest);
        add_field(fields, &field_count, "Next-Nonce", nonce);
        add_field(fields, &field_count, "Signature-Input", signature.input);
        add_field(fields, &field_count, "Signature", signature.signature);
    }
    http_reply(request, status, fields, field_count, body.content,
               body.content_bytes);
    body_clear(&body);
}
