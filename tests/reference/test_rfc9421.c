/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include <setjmp.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/*
 * HTTP Message Signatures.  B.2.5 is the RFC's own vector; the others were
 * computed apart from this program with the RFC's rules and its key (they are
 * named T11.3 to T11.5 in our reference sheet).
 */

/* RFC 9421, appendix B.1.5: test-shared-secret. */
static const char shared_secret[] =
    "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl"
    "8jsasjlTMtDQ==";

struct vector {
    const char *source;
    struct signature_component components[6];
    size_t count;
    const char *parameters;
    size_t base_bytes;
    const char *base_sha256;
    const char *signature;
};

/* clang-format off */
static const struct vector vectors[] = {
    { "RFC 9421, appendix B.2.5",
      { { "date", NULL, "Tue, 20 Apr 2021 02:07:55 GMT" },
        { "@authority", NULL, "example.com" },
        { "content-type", NULL, "application/json" } }, 3,
      "(\"date\" \"@authority\" \"content-type\");created=1618884473;keyid=\"test-shared-secret\"",
      200, "82faed1b67e492cfc8fe50fee1b6fdbdcf9f4d6384af8282339dcad5e44310e7",
      "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=" },
    { "T11.3: a request with a body (computed)",
      { { "@method", NULL, "POST" },
        { "@authority", NULL, "example.com" },
        { "@path", NULL, "/foo" },
        { "@query", NULL, "?param=Value&Pet=dog" },
        { "content-type", NULL, "application/json" },
        { "content-digest", NULL, "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:" } }, 6,
      "(\"@method\" \"@authority\" \"@path\" \"@query\" \"content-type\" \"content-digest\");created=1618884473;expires=1618884533;nonce=\"n-0001\";keyid=\"test-shared-secret\";alg=\"hmac-sha256\"",
      385, "9a0235b2c6e6585b2ddf6a0e3adfa32f4339b7bdecb0f1206504f2b4d18846be",
      "iBcKo51UTrY1HFLA437a+mvx3qyKIJpznjvFJXTeVQo=" },
    { "T11.4: a GET with no path, no query, no body (computed)",
      { { "@method", NULL, "GET" },
        { "@authority", NULL, "example.com:8080" },
        { "@path", NULL, "/" },
        { "@query", NULL, "?" },
        { "content-digest", NULL, "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:" } }, 5,
      "(\"@method\" \"@authority\" \"@path\" \"@query\" \"content-digest\");created=1618884473;nonce=\"n-0003\";keyid=\"test-shared-secret\";alg=\"hmac-sha256\"",
      300, NULL,
      "tYEaUAGjkmfEfQE8lK2RzErFvTdh+3ju38Tjj+P1Jk0=" },
    { "T11.5: the answer to T11.3, bound to it by ;req (computed)",
      { { "@status", NULL, "200" },
        { "content-digest", NULL, "sha-256=:z0bm/K2/kBiAHdTk/FHlB2NyoHqaTdzCA9k+jeJ0ezA=:" },
        { "@method", ";req", "POST" },
        { "@path", ";req", "/foo" } }, 4,
      "(\"@status\" \"content-digest\" \"@method\";req \"@path\";req);created=1618884474;keyid=\"test-shared-secret\";alg=\"hmac-sha256\"",
      265, NULL,
      "+roSQru/cPJ75ELPEAQVtLtI2tmAODWcb/J6RNEO1OI=" },
};
/* clang-format on */

static size_t read_secret(unsigned char secret[64])
{
    size_t length = 0;

    assert_int_equal(sodium_base642bin(secret, 64, shared_secret,
                                       strlen(shared_secret), NULL, &length,
                                       NULL, sodium_base64_VARIANT_ORIGINAL),
                     0);
    assert_int_equal(length, 64);
    return length;
}

static char *make_base(const struct vector *vector)
{
    struct fault fault = { 0 };
    char *base = NULL;

    if (signature_base(vector->components, vector->count, vector->parameters,
                       &base, &fault))
        fail_msg("%s: %s", vector->source, fault.text);
    return base;
}

static void sign_with_secret(const char *base,
                             char ret_base64[SIGNATURE_BASE64_SIZE])
{
    unsigned char secret[64];

    signature_hmac(secret, read_secret(secret), base, ret_base64);
}

static void the_signature_base_is_built_as_section_2_5_says(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(vectors) / sizeof(vectors[0]); i++) {
        unsigned char hash[crypto_hash_sha256_BYTES];
        char hex[2 * sizeof(hash) + 1];
        char *base = make_base(&vectors[i]);

        print_message("%s\n", vectors[i].source);
        assert_int_equal(strlen(base), vectors[i].base_bytes);
        (void) crypto_hash_sha256(hash, (const unsigned char *) base,
                                  strlen(base));
        (void) sodium_bin2hex(hex, sizeof(hex), hash, sizeof(hash));
        if (vectors[i].base_sha256)
            assert_string_equal(hex, vectors[i].base_sha256);
        free(base);
    }
}

static void the_base_of_appendix_b_2_5_is_that_of_the_rfc(void **state)
{
    char *base = make_base(&vectors[0]);

    (void) state;
    assert_string_equal(
        base, "\"date\": Tue, 20 Apr 2021 02:07:55 GMT\n"
              "\"@authority\": example.com\n"
              "\"content-type\": application/json\n"
              "\"@signature-params\": (\"date\" \"@authority\" "
              "\"content-type\");created=1618884473;keyid=\"test-shared-"
              "secret\"");
    free(base);
}

static void the_signatures_are_those_of_the_vectors(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(vectors) / sizeof(vectors[0]); i++) {
        char signature[SIGNATURE_BASE64_SIZE];
        char *base = make_base(&vectors[i]);

        sign_with_secret(base, signature);
        print_message("%s\n", vectors[i].source);
        assert_string_equal(signature, vectors[i].signature);
        free(base);
    }
}

static void assert_other_signature(struct vector vector, const char *what)
{
    char signature[SIGNATURE_BASE64_SIZE];
    char *base = make_base(&vector);

    sign_with_secret(base, signature);
    if (strcmp(signature, vector.signature) == 0)
        fail_msg("%s: the signature stayed the same", what);
    free(base);
}

static void a_changed_message_has_another_signature(void **state)
{
    struct vector path = vectors[1], digest = vectors[1], order = vectors[1];
    struct vector swapped = vectors[1];

    (void) state;
    path.components[2].value = "/Foo";
    assert_other_signature(path, "case of the path");
    digest.components[5].value =
        "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPF=:";
    assert_other_signature(digest, "digest of a flipped body byte");
    order.parameters =
        "(\"@method\" \"@authority\" \"@path\" \"@query\" \"content-type\" "
        "\"content-digest\");expires=1618884533;created=1618884473;nonce=\"n-"
        "0001\";keyid=\"test-shared-secret\";alg=\"hmac-sha256\"";
    assert_other_signature(order, "order of the parameters");
    swapped.components[0] = vectors[1].components[1];
    swapped.components[1] = vectors[1].components[0];
    assert_other_signature(swapped, "order of the components");
}

static void a_trailing_newline_gives_another_signature(void **state)
{
    char *base = make_base(&vectors[0]);
    char longer[512], signature[SIGNATURE_BASE64_SIZE];

    (void) state;
    (void) snprintf(longer, sizeof(longer), "%s\n", base);
    sign_with_secret(longer, signature);
    assert_string_not_equal(signature, vectors[0].signature);
    free(base);
}

static void assert_no_base(const struct signature_component *components,
                           size_t count, const char *parameters,
                           const char *words)
{
    struct fault fault = { 0 };
    char *base = NULL;

    assert_int_not_equal(
        signature_base(components, count, parameters, &base, &fault), 0);
    assert_null(base);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

/* RFC 9421, section 2.5: what makes the creation of the base fail. */
static void no_base_is_made_of_what_can_not_be_signed(void **state)
{
    static const struct signature_component params = { "@signature-params",
                                                       NULL, "x" };
    static const struct signature_component twice[] = { { "date", NULL, "x" },
                                                        { "date", NULL, "x" } };
    static const struct signature_component newline = { "date", NULL,
                                                        "x\n\"@path\": /" };
    static const struct signature_component umlaut = { "date", NULL,
                                                       "M\xc3\xa4rz" };
    static const struct signature_component absent = { "date", NULL, NULL };
    static const struct signature_component date = { "date", NULL, "x" };

    (void) state;
    assert_no_base(&params, 1, "()", "@signature-params");
    assert_no_base(twice, 2, "()", "twice");
    assert_no_base(&newline, 1, "()", "can't be signed");
    assert_no_base(&umlaut, 1, "()", "can't be signed");
    assert_no_base(&absent, 1, "()", "not there");
    assert_no_base(&date, 1, "(\"date\")\n", "can't be signed");
}

/* Section 2.4: with other parameters it is another component. */
static void
the_same_name_with_other_parameters_is_another_component(void **state)
{
    static const struct signature_component both[] = {
        { "@method", NULL, "PUT" }, { "@method", ";req", "PUT" }
    };
    struct fault fault = { 0 };
    char *base = NULL;

    (void) state;
    assert_int_equal(signature_base(both, 2, "()", &base, &fault), 0);
    assert_string_equal(base, "\"@method\": PUT\n\"@method\";req: PUT\n"
                              "\"@signature-params\": ()");
    free(base);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_signature_base_is_built_as_section_2_5_says),
        cmocka_unit_test(the_base_of_appendix_b_2_5_is_that_of_the_rfc),
        cmocka_unit_test(the_signatures_are_those_of_the_vectors),
        cmocka_unit_test(a_changed_message_has_another_signature),
        cmocka_unit_test(a_trailing_newline_gives_another_signature),
        cmocka_unit_test(no_base_is_made_of_what_can_not_be_signed),
        cmocka_unit_test(
            the_same_name_with_other_parameters_is_another_component),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
