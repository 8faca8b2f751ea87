/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/signature.h"

#include <setjmp.h>
#include <sodium.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* HMAC-SHA-256: RFC 4231, sections 4.2 to 4.8.  A run is "count times this
 * octet"; cases 2 and 5 to 7 have texts. */
struct vector {
    const char *section;
    unsigned char key_octet, data_octet;
    size_t key_bytes, data_bytes;
    const char *key, *data;
    const char *code; /* hexadecimal; of case 5 the RFC prints 128 bits */
};

/* clang-format off */
static const struct vector vectors[] = {
    { "4.2", 0x0b, 0, 20, 0, NULL, "Hi There",
      "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7" },
    { "4.3", 0, 0, 0, 0, "Jefe", "what do ya want for nothing?",
      "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843" },
    { "4.4", 0xaa, 0xdd, 20, 50, NULL, NULL,
      "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe" },
    { "4.5", 0, 0xcd, 0, 50, "\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b\x0c\x0d\x0e\x0f\x10\x11\x12\x13\x14\x15\x16\x17\x18\x19", NULL,
      "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b" },
    { "4.6", 0x0c, 0, 20, 0, NULL, "Test With Truncation",
      "a3b6167473100ee06e0c796c2955552b" },
    { "4.7", 0xaa, 0, 131, 0, NULL, "Test Using Larger Than Block-Size Key - Hash Key First",
      "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54" },
    { "4.8", 0xaa, 0, 131, 0, NULL, "This is a test using a larger than block-size key and a larger than block-size data. The key needs to be hashed before being used by the HMAC algorithm.",
      "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2" },
};
/* clang-format on */

static size_t fill(char *room, const char *text, unsigned char octet,
                   size_t octets)
{
    if (text) {
        memcpy(room, text, strlen(text) + 1);
        return strlen(text);
    }
    memset(room, octet, octets);
    room[octets] = '\0';
    return octets;
}

static void codes_are_those_of_the_rfc(void **state)
{
    (void) state;
    for (size_t i = 0; i < sizeof(vectors) / sizeof(vectors[0]); i++) {
        const struct vector *vector = &vectors[i];
        char key[256], data[256], base64[SIGNATURE_BASE64_SIZE], hex[65];
        unsigned char code[32];
        size_t code_bytes = 0;
        const size_t key_bytes =
            fill(key, vector->key, vector->key_octet, vector->key_bytes);

        print_message("RFC 4231 section %s\n", vector->section);
        (void) fill(data, vector->data, vector->data_octet, vector->data_bytes);
        signature_hmac(key, key_bytes, data, base64);
        assert_int_equal(sodium_base642bin(
                             code, sizeof(code), base64, strlen(base64), NULL,
                             &code_bytes, NULL, sodium_base64_VARIANT_ORIGINAL),
                         0);
        assert_int_equal(code_bytes, sizeof(code));
        (void) sodium_bin2hex(hex, sizeof(hex), code, sizeof(code));
        assert_memory_equal(hex, vector->code, strlen(vector->code));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(codes_are_those_of_the_rfc),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
