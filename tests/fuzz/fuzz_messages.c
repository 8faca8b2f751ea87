/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Exercises agent/wire (body, codec, columns, messages, signature): any bytes
 * are taken for a body, plain and gzip-coded, and for signature fields.  An
 * order or an account that is taken comes out as it went in: decoding what was
 * encoded of it and encoding that gives the same text.
 */
#include "agent/wire/body.h"
#include "agent/wire/messages.h"
#include "agent/wire/signature.h"
#include "tests/support/replay.h"

#include <stdlib.h>
#include <string.h>

#define TEXT_BYTES_MAX 20000 /* larger ones teach nothing new */

static void check_same(const json_t *one, const json_t *other)
{
    char *one_text = json_dumps(one, JSON_COMPACT | JSON_SORT_KEYS);
    char *other_text = json_dumps(other, JSON_COMPACT | JSON_SORT_KEYS);

    if (!one_text || !other_text || strcmp(one_text, other_text) != 0) {
        (void) fprintf(stderr, "was:     %s\nbecame:  %s\n", one_text,
                       other_text);
        abort();
    }
    free(one_text);
    free(other_text);
}

static void check_order(const json_t *json)
{
    struct exchange_order order, again;
    struct fault fault = { 0 };
    json_t *first = NULL, *second = NULL;

    if (order_decode(json, &order, &fault) != 0) {
        if (!fault.text[0])
            abort(); /* a refusal says why */
        return;
    }
    if (order_encode(&order, &first, NULL) != 0
        || order_decode(first, &again, NULL) != 0
        || order_encode(&again, &second, NULL) != 0)
        abort();
    check_same(first, second);
    json_decref(first);
    json_decref(second);
}

/* Columns whose differences can't be told in 63 bits are refused, in words. */
static void check_account(const json_t *json)
{
    struct exchange_account account = { .id = "" }, again = { .id = "" };
    struct fault fault = { 0 };
    json_t *first = NULL, *second = NULL;
    int code = account_decode(json, &account, &fault);

    if (!code)
        code = account_encode(&account, &first, &fault);
    if (code && !fault.text[0])
        abort();
    if (!code
        && (account_decode(first, &again, NULL) != 0
            || account_encode(&again, &second, NULL) != 0))
        abort();
    if (!code)
        check_same(first, second);
    json_decref(first);
    json_decref(second);
    account_clear(&account);
    account_clear(&again);
}

static void check_body(const uint8_t *data, size_t size, const char *coding)
{
    struct fault fault = { 0 };
    json_t *json = NULL;
    char text[256];

    if (body_decode(data, size, coding, &json, &fault) != 0) {
        if (!fault.text[0])
            abort();
        return;
    }
    check_order(json);
    check_account(json);
    problem_text(json, text, sizeof(text));
    json_decref(json);
}

/* Nobody without the key makes a signature that passes. */
static void check_signature(const uint8_t *data, size_t size)
{
    static const struct signed_request request = {
        "GET", "/self", NULL, "application/json",
        "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:"
    };
    const struct wire_key key = { .bytes = { 1 }, .id = "00000000" };
    char nonce[NONCE_SIZE];
    char *input = malloc(size + 1);

    if (!input)
        abort();
    memcpy(input, data, size);
    input[size] = '\0';
    char *signature = strchr(input, '\n');
    if (signature)
        *signature++ = '\0';
    if (signature_verify_request(&key, &request, input, signature, nonce, NULL)
        == 0)
        abort();
    free(input);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size > TEXT_BYTES_MAX)
        return 0;
    check_body(data, size, NULL);
    check_body(data, size, "gzip");
    check_signature(data, size);
    return 0;
}
