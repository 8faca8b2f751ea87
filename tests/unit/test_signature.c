/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include "agent/wire/nonce.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const char body[] = "{\"name\":\"fresh\"}";

/* A good signed request, and the agent's side of it. */
struct fixture {
    struct wire_key key;
    struct nonce_mint mint;
    char nonce[NONCE_SIZE];
    char digest[DIGEST_FIELD_SIZE];
    struct signed_request request;
    struct signature_fields fields;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    wire_key_random(&fixture->key);
    nonce_mint_init(&fixture->mint, &fixture->key);
    nonce_give(&fixture->mint, fixture->nonce);
    digest_field(body, strlen(body), fixture->digest);
    fixture->request = (struct signed_request){
        .method = "PUT",
        .path = "/step",
        .query = "ack=k3-0-1",
        .content_type = "application/json",
        .content_digest = fixture->digest,
    };
    if (signature_sign_request(&fixture->key, &fixture->request, fixture->nonce,
                               &fixture->fields, &fault))
        fail_msg("%s", fault.text);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    free(*state);
    return 0;
}

/* What the agent does with the head: 0, or why it refuses. */
static int receive(struct fixture *fixture,
                   const struct signed_request *request, const char *input,
                   const char *signature, struct fault *fault)
{
    char nonce[NONCE_SIZE];
    const int code = signature_verify_request(&fixture->key, request, input,
                                              signature, nonce, fault);

    return code ? code : nonce_spend(&fixture->mint, nonce, fault);
}

static void assert_refused(struct fixture *fixture,
                           const struct signed_request *request,
                           const char *input, const char *signature,
                           const char *words)
{
    struct fault fault = { 0 };

    if (receive(fixture, request, input, signature, &fault) == 0)
        fail_msg("passed: %s / %s", input, signature);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

static void a_signed_request_is_accepted_once(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    if (receive(fixture, &fixture->request, fixture->fields.input,
                fixture->fields.signature, &fault))
        fail_msg("%s", fault.text);
    assert_refused(fixture, &fixture->request, fixture->fields.input,
                   fixture->fields.signature, "used before");
}

static void the_fields_of_a_request_are_as_documented(void **state)
{
    const struct fixture *fixture = *state;
    char expected[SIGNATURE_INPUT_SIZE];

    (void) snprintf(expected, sizeof(expected),
                    "sig=(\"@method\" \"@path\" \"@query\" \"content-type\" "
                    "\"content-digest\");nonce=\"%s\";keyid=\"%s\";alg=\"hmac-"
                    "sha256\"",
                    fixture->nonce, fixture->key.id);
    assert_string_equal(fixture->fields.input, expected);
    assert_memory_equal(fixture->fields.signature, "sig=:", 5);
}

static void every_covered_part_of_a_request_counts(void **state)
{
    struct fixture *fixture = *state;
    const struct signed_request good = fixture->request;
    struct signed_request changed[5] = { good, good, good, good, good };

    changed[0].method = "GET";
    changed[1].path = "/Step";
    changed[2].query = "ack=k3-0-2";
    changed[3].content_type = "text/plain";
    changed[4].content_digest =
        "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:";
    for (size_t i = 0; i < 5; i++)
        assert_refused(fixture, &changed[i], fixture->fields.input,
                       fixture->fields.signature, "does not fit");
}

static void a_flipped_body_byte_fails_the_digest(void **state)
{
    struct fixture *fixture = *state;
    char changed[sizeof(body)];
    struct fault fault = { 0 };

    for (size_t i = 0; i < strlen(body); i++) {
        memcpy(changed, body, sizeof(body));
        changed[i] ^= 1;
        fault.code = 0;
        assert_int_not_equal(
            digest_check(fixture->digest, changed, strlen(body), &fault), 0);
    }
    assert_int_not_equal(
        digest_check(fixture->digest, body, strlen(body) - 1, &fault), 0);
}

/* One reason each, in words that a person can act on. */
static void a_refusal_says_what_is_missing_or_wrong(void **state)
{
    struct fixture *fixture = *state;
    const char *good = fixture->fields.input;
    const char *signature = fixture->fields.signature;
    static const struct {
        const char *found, *put;
        const char *words;
    } cases[] = {
        { "sig=", "gis=", "label" },
        { "\"@query\" ", "", "expected to cover" },
        { "\"@method\" \"@path\"", "\"@path\" \"@method\"",
          "expected to cover" },
        { "hmac-sha256", "ed25519", "alg 'ed25519'" },
        { ";alg=\"hmac-sha256\"", "", "alg ''" },
        { ";nonce=", ";once=", "unknown parameter 'once'" },
        { ";nonce=\"", ";nonce=\"00", "does not fit" },
        { ";alg", ";alg=\"hmac-sha256\";alg", "twice" },
        { ";keyid=\"", ";keyid=\"0", "both computers need the same key" },
        { ";keyid", " ;keyid", "can't be read" },
        { ";keyid=", ";keyid", "can't be read" },
        { ";keyid", ";created=1618884473;keyid", "does not fit" },
    };

    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        char input[2 * SIGNATURE_INPUT_SIZE];
        const char *at = strstr(good, cases[i].found);

        assert_non_null(at);
        (void) snprintf(input, sizeof(input), "%.*s%s%s", (int) (at - good),
                        good, cases[i].put, at + strlen(cases[i].found));
        assert_refused(fixture, &fixture->request, input, signature,
                       cases[i].words);
    }
    assert_refused(fixture, &fixture->request, NULL, signature,
                   "Signature-Input is missing");
    assert_refused(fixture, &fixture->request, good, NULL,
                   "Signature is missing");
    assert_refused(fixture, &fixture->request, good,
                   "gis=:AAAA:", "does not fit");
}

static void another_key_is_refused_by_name(void **state)
{
    struct fixture *fixture = *state;
    struct wire_key other;
    struct signature_fields fields;
    struct fault fault = { 0 };

    wire_key_random(&other);
    assert_int_equal(signature_sign_request(&other, &fixture->request,
                                            fixture->nonce, &fields, &fault),
                     0);
    assert_refused(fixture, &fixture->request, fields.input, fields.signature,
                   other.id);
}

/* created is for people: a clock that is wrong by years does no harm. */
static void a_time_stamp_is_neither_needed_nor_believed(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };
    char input[2 * SIGNATURE_INPUT_SIZE], parameters[SIGNATURE_INPUT_SIZE];
    char base64[SIGNATURE_BASE64_SIZE], signature[SIGNATURE_FIELD_SIZE];
    char *base = NULL;
    const struct signature_component components[] = {
        { "@method", NULL, fixture->request.method },
        { "@path", NULL, fixture->request.path },
        { "@query", NULL, "?ack=k3-0-1" },
        { "content-type", NULL, fixture->request.content_type },
        { "content-digest", NULL, fixture->request.content_digest },
    };

    (void) snprintf(parameters, sizeof(parameters), "%.200s;created=4102444800",
                    fixture->fields.input + strlen("sig="));
    (void) snprintf(input, sizeof(input), "sig=%s", parameters);
    assert_int_equal(signature_base(components, 5, parameters, &base, &fault),
                     0);
    signature_hmac(fixture->key.bytes, sizeof(fixture->key.bytes), base,
                   base64);
    free(base);
    (void) snprintf(signature, sizeof(signature), "sig=:%s:", base64);
    if (receive(fixture, &fixture->request, input, signature, &fault))
        fail_msg("%s", fault.text);
}

static void a_query_that_is_not_there_is_signed_as_a_question_mark(void **state)
{
    struct fixture *fixture = *state;
    struct signed_request none = fixture->request, empty = fixture->request;
    struct signature_fields one, other;
    struct fault fault = { 0 };

    none.query = NULL;
    empty.query = "";
    assert_int_equal(signature_sign_request(&fixture->key, &none,
                                            fixture->nonce, &one, &fault),
                     0);
    assert_int_equal(signature_sign_request(&fixture->key, &empty,
                                            fixture->nonce, &other, &fault),
                     0);
    assert_string_equal(one.signature, other.signature);
}

/* Every single wrong bit of a head, and every cut of it, is refused. */
static void a_request_changed_or_cut_anywhere_is_refused(void **state)
{
    struct fixture *fixture = *state;
    const char *parts[] = { fixture->fields.input, fixture->fields.signature };

    for (size_t part = 0; part < 2; part++) {
        for (size_t at = 0; at < strlen(parts[part]); at++) {
            for (unsigned bit = 0; bit < 9; bit++) {
                char text[SIGNATURE_INPUT_SIZE];
                struct fault fault = { 0 };

                (void) snprintf(text, sizeof(text), "%s", parts[part]);
                text[at] = bit < 8 ? (char) (text[at] ^ (1 << bit)) : '\0';
                const int code =
                    receive(fixture, &fixture->request, part ? parts[0] : text,
                            part ? text : parts[1], &fault);
                if (code == 0 || !fault.text[0])
                    fail_msg("byte %zu of part %zu: %s", at, part, text);
            }
        }
    }
}

/* --- answers -------------------------------------------------------------- */

static struct signed_answer good_answer(const struct fixture *fixture)
{
    return (struct signed_answer){
        .status = 200,
        .content_digest = fixture->digest,
        .next_nonce = fixture->nonce,
        .request_signature = fixture->fields.signature,
    };
}

static struct signature_fields sign_answer(const struct fixture *fixture,
                                           const struct signed_answer *answer)
{
    struct signature_fields fields;
    struct fault fault = { 0 };

    if (signature_sign_answer(&fixture->key, answer, &fields, &fault))
        fail_msg("%s", fault.text);
    return fields;
}

static void assert_answer_refused(const struct fixture *fixture,
                                  const struct signed_answer *answer,
                                  const char *input, const char *signature)
{
    struct fault fault = { 0 };

    assert_int_not_equal(signature_verify_answer(&fixture->key, answer, input,
                                                 signature, &fault),
                         0);
    assert_true(fault.text[0]);
}

static void a_signed_answer_is_believed(void **state)
{
    const struct fixture *fixture = *state;
    const struct signed_answer answer = good_answer(fixture);
    const struct signature_fields fields = sign_answer(fixture, &answer);
    struct fault fault = { 0 };

    assert_non_null(strstr(fields.input,
                           "sig=(\"@status\" \"content-digest\" "
                           "\"next-nonce\" \"signature\";req;key=\"sig\")"));
    if (signature_verify_answer(&fixture->key, &answer, fields.input,
                                fields.signature, &fault))
        fail_msg("%s", fault.text);
}

static void an_answer_to_another_request_is_not_believed(void **state)
{
    struct fixture *fixture = *state;
    struct signed_answer answer = good_answer(fixture);
    const struct signature_fields old = sign_answer(fixture, &answer);
    struct signature_fields request;
    struct fault fault = { 0 };

    nonce_give(&fixture->mint, fixture->nonce);
    assert_int_equal(signature_sign_request(&fixture->key, &fixture->request,
                                            fixture->nonce, &request, &fault),
                     0);
    answer.request_signature = request.signature;
    assert_answer_refused(fixture, &answer, old.input, old.signature);
}

static void every_covered_part_of_an_answer_counts(void **state)
{
    const struct fixture *fixture = *state;
    const struct signed_answer good = good_answer(fixture);
    const struct signature_fields fields = sign_answer(fixture, &good);
    struct signed_answer changed[3] = { good, good, good };

    changed[0].status = 201;
    changed[1].content_digest =
        "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:";
    changed[2].next_nonce = "00000000-00000001-0000000000000000";
    for (size_t i = 0; i < 3; i++)
        assert_answer_refused(fixture, &changed[i], fields.input,
                              fields.signature);
    assert_answer_refused(fixture, &good, NULL, fields.signature);
    assert_answer_refused(fixture, &good, fields.input, NULL);
}

static void an_answer_changed_or_cut_anywhere_is_refused(void **state)
{
    const struct fixture *fixture = *state;
    const struct signed_answer answer = good_answer(fixture);
    const struct signature_fields fields = sign_answer(fixture, &answer);

    for (size_t at = 0; at < strlen(fields.input); at++) {
        char text[SIGNATURE_INPUT_SIZE];

        (void) snprintf(text, sizeof(text), "%s", fields.input);
        text[at] ^= 1;
        assert_answer_refused(fixture, &answer, text, fields.signature);
        text[at] = '\0';
        assert_answer_refused(fixture, &answer, text, fields.signature);
    }
}

/* A request can't be turned round into an answer, though the key is one. */
static void a_request_does_not_pass_as_an_answer(void **state)
{
    const struct fixture *fixture = *state;
    const struct signed_answer answer = good_answer(fixture);

    assert_answer_refused(fixture, &answer, fixture->fields.input,
                          fixture->fields.signature);
}

static void a_nonce_from_outside_can_not_smuggle_parameters_in(void **state)
{
    struct fixture *fixture = *state;
    struct signature_fields fields;
    char too_long[NONCE_SIZE + 1];
    const char *const bad[] = { "\";tag=\"x", "", "a b", "\r\nX: y", too_long };

    memset(too_long, '0', NONCE_SIZE);
    too_long[NONCE_SIZE] = '\0';
    for (size_t i = 0; i < sizeof(bad) / sizeof(bad[0]); i++) {
        struct fault fault = { 0 };

        if (signature_sign_request(&fixture->key, &fixture->request, bad[i],
                                   &fields, &fault)
            == 0)
            fail_msg("signed with the nonce '%s'", bad[i]);
    }
}

int main(void)
{
#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(a_signed_request_is_accepted_once),
        WITH_FIXTURE(the_fields_of_a_request_are_as_documented),
        WITH_FIXTURE(every_covered_part_of_a_request_counts),
        WITH_FIXTURE(a_flipped_body_byte_fails_the_digest),
        WITH_FIXTURE(a_refusal_says_what_is_missing_or_wrong),
        WITH_FIXTURE(another_key_is_refused_by_name),
        WITH_FIXTURE(a_time_stamp_is_neither_needed_nor_believed),
        WITH_FIXTURE(a_query_that_is_not_there_is_signed_as_a_question_mark),
        WITH_FIXTURE(a_request_changed_or_cut_anywhere_is_refused),
        WITH_FIXTURE(a_signed_answer_is_believed),
        WITH_FIXTURE(an_answer_to_another_request_is_not_believed),
        WITH_FIXTURE(every_covered_part_of_an_answer_counts),
        WITH_FIXTURE(an_answer_changed_or_cut_anywhere_is_refused),
        WITH_FIXTURE(a_request_does_not_pass_as_an_answer),
        WITH_FIXTURE(a_nonce_from_outside_can_not_smuggle_parameters_in),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
