/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include <sodium.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

/* What is general: the base, the code over it, the digest of a content. */

static bool is_signable(const char *text)
{
    for (; *text; text++) {
        if (*text < 0x20 || *text > 0x7e)
            return false;
    }
    return true;
}

static const char *params_of(const struct signature_component *component)
{
    return component->params ? component->params : "";
}

static int check_component(const struct signature_component *components,
                           size_t index, struct fault *fault)
{
    const struct signature_component *component = &components[index];

    if (strcmp(component->name, "@signature-params") == 0)
        return fault_set(fault, UV_EINVAL,
                         "'@signature-params' can't be a covered component");
    if (!component->value)
        return fault_set(fault, UV_EINVAL, "'%s' is covered but not there",
                         component->name);
    if (!is_signable(component->value) || !is_signable(component->name))
        return fault_set(fault, UV_EINVAL,
                         "'%s' has characters that can't be signed",
                         component->name);
    for (size_t i = 0; i < index; i++) {
        if (strcmp(components[i].name, component->name) == 0
            && strcmp(params_of(&components[i]), params_of(component)) == 0)
            return fault_set(fault, UV_EINVAL, "'%s' is covered twice",
                             component->name);
    }
    return 0;
}

int signature_base(const struct signature_component *components, size_t count,
                   const char *parameters, char **ret_base, struct fault *fault)
{
    size_t room = strlen(parameters) + 32;

    if (!is_signable(parameters)) {
        (void) fault_set(fault, UV_EINVAL,
                         "the signature's parameters can't be signed");
        return UV_EINVAL;
    }
    for (size_t i = 0; i < count; i++) {
        const int code = check_component(components, i, fault);

        if (code)
            return code;
        room += strlen(components[i].name) + strlen(params_of(&components[i]))
                + strlen(components[i].value) + 8;
    }
    char *base = malloc(room);
    if (!base) {
        (void) fault_set(fault, UV_ENOMEM, "out of memory");
        return UV_ENOMEM;
    }
    size_t length = 0;
    for (size_t i = 0; i < count; i++)
        length += (size_t) snprintf(
            base + length, room - length, "\"%s\"%s: %s\n", components[i].name,
            params_of(&components[i]), components[i].value);
    (void) snprintf(base + length, room - length, "\"@signature-params\": %s",
                    parameters);
    *ret_base = base;
    return 0;
}

void signature_hmac(const void *key, size_t key_bytes, const char *text,
                    char ret_base64[SIGNATURE_BASE64_SIZE])
{
    unsigned char code[crypto_auth_hmacsha256_BYTES];
    crypto_auth_hmacsha256_state state;

    (void) crypto_auth_hmacsha256_init(&state, key, key_bytes);
    (void) crypto_auth_hmacsha256_update(&state, (const unsigned char *) text,
                                         strlen(text));
    (void) crypto_auth_hmacsha256_final(&state, code);
    (void) sodium_bin2base64(ret_base64, SIGNATURE_BASE64_SIZE, code,
                             sizeof(code), sodium_base64_VARIANT_ORIGINAL);
}

/* --- content digest ------------------------------------------------------- */

void digest_field(const void *content, size_t content_bytes,
                  char ret_field[DIGEST_FIELD_SIZE])
{
    unsigned char hash[crypto_hash_sha256_BYTES];
    char base64[SIGNATURE_BASE64_SIZE];

    (void) crypto_hash_sha256(hash, content ? content : (const void *) "",
                              content_bytes);
    (void) sodium_bin2base64(base64, sizeof(base64), hash, sizeof(hash),
                             sodium_base64_VARIANT_ORIGINAL);
    (void) snprintf(ret_field, DIGEST_FIELD_SIZE, "sha-256=:%s:", base64);
}

int digest_check(const char *field, const void *content, size_t content_bytes,
                 struct fault *fault)
{
    char expected[DIGEST_FIELD_SIZE];

    digest_field(content, content_bytes, expected);
    if (!field || strcmp(field, expected) != 0)
        return fault_set(fault, UV_EPROTO,
                         "found Content-Digest '%.80s', expected '%s': the "
                         "body was changed on the way",
                         field ? field : "", expected);
    return 0;
}
