/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

/* The one label and the covered components of our two profiles. */
#define LABEL "sig"
#define REQUEST_COMPONENTS                                                     \
    "(\"@method\" \"@path\" \"@query\" \"content-type\" \"content-digest\")"
#define ANSWER_COMPONENTS                                                      \
    "(\"@status\" \"content-digest\" \"next-nonce\" "                          \
    "\"signature\";req;key=\"" LABEL "\")"
#define ALGORITHM "hmac-sha256"

/* --- Signature-Input and Signature ---------------------------------------- */

struct parameters {
    char nonce[NONCE_SIZE];
    char keyid[16];
    char algorithm[16];
};

/* One ";name=value" at *cursor, value a string or an integer (RFC 8941). */
static bool take_parameter(const char **cursor, char *name, size_t name_size,
                           char *value, size_t value_size)
{
    const char *at = *cursor;

    if (*at != ';')
        return false;
    at++;
    const size_t name_length = strspn(at, "abcdefghijklmnopqrstuvwxyz");
    if (!name_length || name_length >= name_size || at[name_length] != '=')
        return false;
    memcpy(name, at, name_length);
    name[name_length] = '\0';
    at += name_length + 1;
    const bool is_string = *at == '"';
    if (is_string)
        at++;
    const size_t length =
        is_string ? strcspn(at, "\"\\") : strspn(at, "0123456789");
    if (!length || length >= value_size || (is_string && at[length] != '"'))
        return false;
    memcpy(value, at, length);
    value[length] = '\0';
    *cursor = at + length + (is_string ? 1 : 0);
    return true;
}

static char *parameter_room(struct parameters *parameters, const char *name,
                            size_t *ret_size)
{
    if (strcmp(name, "nonce") == 0) {
        *ret_size = sizeof(parameters->nonce);
        return parameters->nonce;
    }
    if (strcmp(name, "keyid") == 0) {
        *ret_size = sizeof(parameters->keyid);
        return parameters->keyid;
    }
    if (strcmp(name, "alg") == 0) {
        *ret_size = sizeof(parameters->algorithm);
        return parameters->algorithm;
    }
    return NULL;
}

static int parse_parameters(const char *text, struct parameters *parameters,
                            struct fault *fault)
{
    char name[16], value[64];
    const char *cursor = text;

    while (*cursor) {
        size_t size = 0;

        if (!take_parameter(&cursor, name, sizeof(name), value, sizeof(value)))
            return fault_set(fault, UV_EACCES,
                             "Signature-Input: its parameters can't be read");
        char *room = parameter_room(parameters, name, &size);
        /* Without a right clock there is no age: created informs, expires is
         * not used. */
        if (!room
            && (strcmp(name, "created") == 0 || strcmp(name, "expires") == 0))
            continue;
        if (!room)
            return fault_set(fault, UV_EACCES,
                             "Signature-Input: unknown parameter '%s'", name);
        if (*room || strlen(value) >= size)
            return fault_set(fault, UV_EACCES,
                             "Signature-Input: parameter '%s' twice or too "
                             "long",
                             name);
        (void) snprintf(room, size, "%s", value);
    }
    return 0;
}

/* Gives what follows LABEL=, which is what the base ends with. */
static int parse_input(const char *input, const char *components,
                       struct parameters *parameters, const char **ret_list,
                       struct fault *fault)
{
    if (!input)
        return fault_set(fault, UV_EACCES, "Signature-Input is missing");
    if (strncmp(input, LABEL "=", sizeof(LABEL)) != 0)
        return fault_set(fault, UV_EACCES,
                         "Signature-Input: expected the one label '%s'", LABEL);
    const char *list = input + sizeof(LABEL);
    if (strncmp(list, components, strlen(components)) != 0)
        return fault_set(fault, UV_EACCES,
                         "Signature-Input: found '%.120s', expected to cover "
                         "%s",
                         list, components);
    *ret_list = list;
    return parse_parameters(list + strlen(components), parameters, fault);
}

static int check_parameters(const struct wire_key *key,
                            const struct parameters *parameters,
                            struct fault *fault)
{
    if (strcmp(parameters->algorithm, ALGORITHM) != 0)
        return fault_set(fault, UV_EACCES,
                         "Signature-Input: found alg '%s', expected '%s'",
                         parameters->algorithm, ALGORITHM);
    if (strcmp(parameters->keyid, key->id) != 0)
        return fault_set(fault, UV_EACCES,
                         "signed with key '%s', expected key '%s': both "
                         "computers need the same key file",
                         parameters->keyid, key->id);
    return 0;
}

static int check_signature(const struct wire_key *key, const char *base,
                           const char *signature, struct fault *fault)
{
    char expected[SIGNATURE_FIELD_SIZE], base64[SIGNATURE_BASE64_SIZE];

    if (!signature)
        return fault_set(fault, UV_EACCES, "Signature is missing");
    signature_hmac(key->bytes, sizeof(key->bytes), base, base64);
    (void) snprintf(expected, sizeof(expected), LABEL "=:%s:", base64);
    if (strlen(signature) != strlen(expected)
        || sodium_memcmp(signature, expected, strlen(expected)) != 0)
        return fault_set(fault, UV_EACCES,
                         "the signature does not fit: the message was changed "
                         "on the way, or signed with another key");
    return 0;
}

static int sign(const struct wire_key *key,
                const struct signature_component *components, size_t count,
                struct signature_fields *ret, struct fault *fault)
{
    char base64[SIGNATURE_BASE64_SIZE];
    char *base = NULL;
    const int code = signature_base(components, count,
                                    ret->input + sizeof(LABEL), &base, fault);

    if (code)
        return code;
    signature_hmac(key->bytes, sizeof(key->bytes), base, base64);
    (void) snprintf(ret->signature, sizeof(ret->signature),
                    LABEL "=:%s:", base64);
    free(base);
    return 0;
}

static int verify(const struct wire_key *key,
                  const struct signature_component *components, size_t count,
                  const char *list, const char *signature, struct fault *fault)
{
    char *base = NULL;
    int code = signature_base(components, count, list, &base, fault);

    if (code)
        return code;
    code = check_signature(key, base, signature, fault);
    free(base);
    return code;
}

/* --- the two profiles ----------------------------------------------------- */

#define REQUEST_COUNT 5
#define ANSWER_COUNT  4

/* query gets its leading "?"; room for it is the caller's. */
static int list_request(const struct signed_request *request, char *query,
                        size_t query_size,
                        struct signature_component components[REQUEST_COUNT],
                        struct fault *fault)
{
    const int length = snprintf(query, query_size, "?%s",
                                request->query ? request->query : "");

    if (length < 0 || (size_t) length >= query_size) {
        (void) fault_set(fault, UV_E2BIG, "the query is too long");
        return UV_E2BIG;
    }
    components[0] =
        (struct signature_component){ "@method", NULL, request->method };
    components[1] =
        (struct signature_component){ "@path", NULL, request->path };
    components[2] = (struct signature_component){ "@query", NULL, query };
    components[3] = (struct signature_component){ "content-type", NULL,
                                                  request->content_type };
    components[4] = (struct signature_component){ "content-digest", NULL,
                                                  request->content_digest };
    return 0;
}

#define QUERY_SIZE 4096

/* It comes from an answer that is not signed, perhaps. */
static int check_nonce(const char *nonce, struct fault *fault)
{
    const size_t length = strlen(nonce);

    if (!length || length >= NONCE_SIZE
        || strspn(nonce, "0123456789abcdef-") != length)
        return fault_set(fault, UV_EPROTO,
                         "found the nonce '%.60s', expected hexadecimal digits "
                         "as an agent gives them out",
                         nonce);
    return 0;
}

int signature_sign_request(const struct wire_key *key,
                           const struct signed_request *request,
                           const char *nonce, struct signature_fields *ret,
                           struct fault *fault)
{
    struct signature_component components[REQUEST_COUNT];
    char query[QUERY_SIZE];
    int code = check_nonce(nonce, fault);

    if (!code)
        code = list_request(request, query, sizeof(query), components, fault);
    if (code)
        return code;
    (void) snprintf(ret->input, sizeof(ret->input),
                    LABEL "=" REQUEST_COMPONENTS
                          ";nonce=\"%s\";keyid=\"%s\";alg=\"" ALGORITHM "\"",
                    nonce, key->id);
    return sign(key, components, REQUEST_COUNT, ret, fault);
}

int signature_verify_request(const struct wire_key *key,
                             const struct signed_request *request,
                             const char *input, const char *signature,
                             char ret_nonce[NONCE_SIZE], struct fault *fault)
{
    struct signature_component components[REQUEST_COUNT];
    struct parameters parameters = { .nonce = "" };
    char query[QUERY_SIZE];
    const char *list = "";
    int code =
        parse_input(input, REQUEST_COMPONENTS, &parameters, &list, fault);

    if (!code)
        code = check_parameters(key, &parameters, fault);
    if (!code && !parameters.nonce[0])
        code = fault_set(fault, UV_EACCES, "Signature-Input: nonce is missing");
    if (!code)
        code = list_request(request, query, sizeof(query), components, fault);
    if (!code)
        code = verify(key, components, REQUEST_COUNT, list, signature, fault);
    if (!code)
        (void) snprintf(ret_nonce, NONCE_SIZE, "%s", parameters.nonce);
    return code;
}

static int list_answer(const struct signed_answer *answer, char *status,
                       size_t status_size,
                       struct signature_component components[ANSWER_COUNT],
                       struct fault *fault)
{
    const char *request_signature = answer->request_signature;

    if (!request_signature
        || strncmp(request_signature, LABEL "=", sizeof(LABEL)) != 0) {
        (void) fault_set(fault, UV_EACCES, "the request has no signature '%s'",
                         LABEL);
        return UV_EACCES;
    }
    (void) snprintf(status, status_size, "%03d", answer->status);
    components[0] = (struct signature_component){ "@status", NULL, status };
    components[1] = (struct signature_component){ "content-digest", NULL,
                                                  answer->content_digest };
    components[2] =
        (struct signature_component){ "next-nonce", NULL, answer->next_nonce };
    components[3] =
        (struct signature_component){ "signature", ";req;key=\"" LABEL "\"",
                                      request_signature + sizeof(LABEL) };
    return 0;
}

int signature_sign_answer(const struct wire_key *key,
                          const struct signed_answer *answer,
                          struct signature_fields *ret, struct fault *fault)
{
    struct signature_component components[ANSWER_COUNT];
    char status[16];
    const int code =
        list_answer(answer, status, sizeof(status), components, fault);

    if (code)
        return code;
    (void) snprintf(ret->input, sizeof(ret->input),
                    LABEL "=" ANSWER_COMPONENTS ";keyid=\"%s\";alg=\"" ALGORITHM
                          "\"",
                    key->id);
    return sign(key, components, ANSWER_COUNT, ret, fault);
}

int signature_verify_answer(const struct wire_key *key,
                            const struct signed_answer *answer,
                            const char *input, const char *signature,
                            struct fault *fault)
{
    struct signature_component components[ANSWER_COUNT];
    struct parameters parameters = { .nonce = "" };
    char status[16];
    const char *list = "";
    int code = parse_input(input, ANSWER_COMPONENTS, &parameters, &list, fault);

    if (!code)
        code = check_parameters(key, &parameters, fault);
    if (!code)
        code = list_answer(answer, status, sizeof(status), components, fault);
    if (!code)
        code = verify(key, components, ANSWER_COUNT, list, signature, fault);
    return code;
}
