/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/nonce.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

struct fixture {
    struct wire_key key;
    struct nonce_mint mint;
};

static struct fixture the_fixture;

static int set_up(void **state)
{
    wire_key_random(&the_fixture.key);
    nonce_mint_init(&the_fixture.mint, &the_fixture.key);
    *state = &the_fixture;
    return 0;
}

static void assert_refused(struct nonce_mint *mint, const char *nonce,
                           const char *words)
{
    struct fault fault = { 0 };

    if (nonce_spend(mint, nonce, &fault) == 0)
        fail_msg("'%s' was accepted", nonce);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

static void a_nonce_is_good_once(void **state)
{
    struct nonce_mint *mint = &((struct fixture *) *state)->mint;
    char nonce[NONCE_SIZE];

    nonce_give(mint, nonce);
    assert_int_equal(nonce_spend(mint, nonce, NULL), 0);
    assert_refused(mint, nonce, "used before");
}

static void nonces_may_come_back_in_any_order(void **state)
{
    struct nonce_mint *mint = &((struct fixture *) *state)->mint;
    static char nonces[NONCE_WINDOW][NONCE_SIZE];

    for (size_t i = 0; i < NONCE_WINDOW; i++)
        nonce_give(mint, nonces[i]);
    for (size_t i = NONCE_WINDOW; i-- > 0;) {
        assert_int_equal(nonce_spend(mint, nonces[i], NULL), 0);
        assert_refused(mint, nonces[i], "used before");
    }
}

static void a_nonce_that_left_the_window_is_refused_used_or_not(void **state)
{
    struct nonce_mint *mint = &((struct fixture *) *state)->mint;
    char spent[NONCE_SIZE], unspent[NONCE_SIZE], last[NONCE_SIZE];

    nonce_give(mint, spent);
    nonce_give(mint, unspent);
    assert_int_equal(nonce_spend(mint, spent, NULL), 0);
    for (size_t i = 0; i < NONCE_WINDOW; i++)
        nonce_give(mint, last);
    assert_refused(mint, spent, "too old");
    assert_refused(mint, unspent, "too old");
    assert_int_equal(nonce_spend(mint, last, NULL), 0);
}

static void a_nonce_of_a_former_start_is_refused(void **state)
{
    struct fixture *fixture = *state;
    struct nonce_mint restarted;
    char nonce[NONCE_SIZE];

    nonce_give(&fixture->mint, nonce);
    nonce_mint_init(&restarted, &fixture->key);
    nonce_give(&restarted, (char[NONCE_SIZE]){ 0 });
    assert_refused(&restarted, nonce, "not given out");
}

static void a_nonce_of_another_key_is_refused(void **state)
{
    struct fixture *fixture = *state;
    struct wire_key other;
    struct nonce_mint mint = fixture->mint;
    char nonce[NONCE_SIZE];

    wire_key_random(&other);
    mint.key = &other;
    nonce_give(&fixture->mint, nonce);
    nonce_give(&mint, (char[NONCE_SIZE]){ 0 });
    assert_refused(&mint, nonce, "not given out");
}

static void a_nonce_changed_or_cut_anywhere_is_refused(void **state)
{
    struct nonce_mint *mint = &((struct fixture *) *state)->mint;
    char nonce[NONCE_SIZE];

    nonce_give(mint, nonce);
    for (size_t at = 0; nonce[at]; at++) {
        char changed[NONCE_SIZE];

        memcpy(changed, nonce, sizeof(changed));
        changed[at] ^= 1;
        assert_refused(mint, changed, "not given out");
        changed[at] = '\0';
        assert_refused(mint, changed, "not given out");
    }
    assert_int_equal(nonce_spend(mint, nonce, NULL), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(a_nonce_is_good_once, set_up),
        cmocka_unit_test_setup(nonces_may_come_back_in_any_order, set_up),
        cmocka_unit_test_setup(
            a_nonce_that_left_the_window_is_refused_used_or_not, set_up),
        cmocka_unit_test_setup(a_nonce_of_a_former_start_is_refused, set_up),
        cmocka_unit_test_setup(a_nonce_of_another_key_is_refused, set_up),
        cmocka_unit_test_setup(a_nonce_changed_or_cut_anywhere_is_refused,
                               set_up),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
