/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/ladder.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

enum {
    OWN = LANDMARK_OWN_RADIO,
    FAR = LANDMARK_FAR_RADIO,
    GATE = LANDMARK_ROUTER,
    HUT = LANDMARK_FAR_COMPUTER
};

struct ladder_case {
    struct rung rungs[4];
    size_t count;
    bool is_broken;
    const char *text;
};

/* clang-format off */
static const struct ladder_case cases[] = {
    { { { OWN, "own-radio", 5, 5 }, { FAR, "mast", 5, 1 }, { GATE, "router", 5, 5 }, { HUT, "hut", 5, 5 } }, 4, false,
      "own radio answers, far radio (mast) answers, router answers, far computer (hut) answers: no break was seen from tent" },
    { { { OWN, "own-radio", 5, 5 }, { FAR, "far-radio", 5, 5 }, { GATE, "router", 5, 0 }, { HUT, "hut", 5, 0 } }, 4, true,
      "own radio answers, far radio answers, router does not, far computer (hut) does not: the break is between the far radio and its LAN" },
    { { { OWN, "own-radio", 5, 5 }, { FAR, "far-radio", 5, 0 } }, 2, true,
      "own radio answers, far radio does not: the break is on the air, between the two radios" },
    { { { OWN, "own-radio", 5, 0 }, { FAR, "far-radio", 5, 0 } }, 2, true,
      "own radio does not answer, far radio does not: the break is between tent and the own radio" },
    { { { GATE, "router", 5, 5 }, { HUT, "hut", 5, 0 } }, 2, true,
      "router answers, far computer (hut) does not: the break is between the router and the far computer" },
    { { { HUT, "hut", 5, 0 } }, 1, true,
      "far computer (hut) does not answer: the break is between tent and the far computer" },
    { { { FAR, "far-radio", 5, 0 }, { HUT, "hut", 5, 5 } }, 2, false,
      "far radio does not answer, far computer (hut) answers: no break was seen from tent (what is silent with answers from behind it may not answer pings at all)" },
    { { { OWN, "own-radio", 0, 0 }, { HUT, "hut", 3, 3 } }, 2, false,
      "far computer (hut) answers: no break was seen from tent" },
    { { { OWN, "own-radio", 0, 0 } }, 1, false, "" },
};
/* clang-format on */

static void the_break_is_behind_the_last_rung_that_answers(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[400];

        assert_int_equal(ladder_tell(cases[i].rungs, cases[i].count, "tent",
                                     text, sizeof(text)),
                         cases[i].is_broken);
        assert_string_equal(text, cases[i].text);
    }
}

static void a_text_without_room_is_cut(void **state)
{
    char text[12];

    (void) state;
    assert_true(ladder_tell(cases[1].rungs, cases[1].count, "tent", text,
                            sizeof(text)));
    assert_string_equal(text, "own radio a");
}

static void rungs_are_sorted_nearest_first(void **state)
{
    struct rung rungs[] = { { HUT, "hut", 1, 1 },
                            { FAR, "second", 1, 1 },
                            { OWN, "own", 1, 1 },
                            { FAR, "third", 1, 1 } };

    (void) state;
    ladder_sort(rungs, COUNT_OF(rungs));
    assert_string_equal(rungs[0].name, "own");
    assert_string_equal(rungs[1].name, "second");
    assert_string_equal(rungs[2].name, "third");
    assert_string_equal(rungs[3].name, "hut");
    ladder_sort(rungs, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_break_is_behind_the_last_rung_that_answers),
        cmocka_unit_test(a_text_without_room_is_cut),
        cmocka_unit_test(rungs_are_sorted_nearest_first),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
