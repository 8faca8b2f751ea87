/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* Content-Digest with sha-256: the values printed in RFC 9530. */
struct vector {
    const char *source;
    const char *content;
    const char *digest;
};

/* clang-format off */
static const struct vector vectors[] = {
    { "RFC 9530 appendix D, RFC 9421 section 7.2.8", "{\"hello\": \"world\"}",
      "X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=" },
    { "RFC 9530 appendix B.1", "{\"hello\": \"world\"}\n",
      "RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=" },
    { "RFC 9530 appendix B.3 (bytes 10-18)", "\"world\"}\n",
      "jjcgBDWNAtbYUXI37CVG3gRuGOAjaaDRGpIUFsdyepQ=" },
    { "RFC 9530 appendix B.2 (no content)", "",
      "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=" },
    { "RFC 9530 appendix B.7", "{\"title\": \"New Title\"}\n",
      "mEkdbO7Srd9LIOegftO0aBX+VPTVz7/CSHes2Z27gc4=" },
};
/* clang-format on */

static void digests_are_those_of_the_rfc(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(vectors) / sizeof(vectors[0]); i++) {
        const struct vector *vector = &vectors[i];
        char expected[DIGEST_FIELD_SIZE], field[DIGEST_FIELD_SIZE];
        struct fault fault = { 0 };

        print_message("%s\n", vector->source);
        (void) snprintf(expected, sizeof(expected),
                        "sha-256=:%s:", vector->digest);
        digest_field(vector->content, strlen(vector->content), field);
        assert_string_equal(field, expected);
        assert_int_equal(digest_check(expected, vector->content,
                                      strlen(vector->content), &fault),
                         0);
    }
}

static void no_content_has_the_digest_of_nothing(void **state)
{
    char field[DIGEST_FIELD_SIZE];

    (void) state;
    digest_field(NULL, 0, field);
    assert_string_equal(
        field, "sha-256=:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=:");
}

static void assert_refused(const char *field, const char *content)
{
    struct fault fault = { 0 };

    if (digest_check(field, content, strlen(content), &fault) == 0)
        fail_msg("'%s' passed", field);
    assert_non_null(strstr(fault.text, "Content-Digest"));
}

static void another_content_or_a_wrong_form_is_refused(void **state)
{
    static const char content[] = "{\"hello\": \"world\"}\n";

    (void) state;
    assert_refused("sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:",
                   "{\"hello\": \"World\"}\n");
    /* As B.5, B.6, B.11 and C.1 print it: one '=' too many. */
    assert_refused("sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg==:",
                   content);
    assert_refused("sha-256=RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=",
                   content);
    assert_refused("sha-512=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:",
                   content);
    assert_refused("", content);
    assert_refused(NULL, content);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(digests_are_those_of_the_rfc),
        cmocka_unit_test(no_content_has_the_digest_of_nothing),
        cmocka_unit_test(another_content_or_a_wrong_form_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
