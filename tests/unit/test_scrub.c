/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/scrub.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

struct text_case {
    const char *text, *clean;
};

static void scrub_case(const struct scrub *scrub, const struct text_case *row)
{
    char text[400];

    (void) snprintf(text, sizeof(text), "%s", row->text);
    scrub_text(scrub, text, sizeof(text));
    if (strcmp(text, row->clean) != 0)
        fail_msg("'%s' became '%s', expected '%s'", row->text, text,
                 row->clean);
}

static void scrub_all(unsigned characters, const struct text_case *rows,
                      size_t count)
{
    struct scrub scrub;

    scrub_init(&scrub, characters);
    scrub_add_word(&scrub, "Q0MIL", "Q0MIL");
    scrub_add_word(&scrub, "QM12ab", "QM12ab");
    scrub_add_word(&scrub, "router.example", "host 1");
    scrub_add_word(&scrub, "192.0.2.1", "(address of mill)");
    for (size_t i = 0; i < count; i++)
        scrub_case(&scrub, &rows[i]);
    scrub_clear(&scrub);
}

static void addresses_of_all_sorts_go(void **state)
{
    static const struct text_case rows[] = {
        { "cannot reach 192.0.2.77: refused",
          "cannot reach (address): refused" },
        { "192.0.2.77", "(address)" },
        { "http://192.0.2.77:8080/a", "http://(address):8080/a" },
        { "via 192.0.2.1.", "via (address of mill)." },
        { "2001:db8::17 and fe80::1%air0.", "(address) and (address)." },
        { "[2001:db8:0:0:1:2:3:4]:7907", "[(address)]:7907" },
        { "at ::1: no", "at (address): no" },
        { "::ffff:192.0.2.9 too", "(address) too" },
        { "card 02:00:5e:10:00:0a", "card (card)" },
        { "ping router.example, ROUTER.EXAMPLE", "ping host 1, host 1" },
        { "192.0.2.10 is not 192.0.2.1", "(address) is not (address of mill)" },
    };

    (void) state;
    scrub_all(4, rows, COUNT_OF(rows));
}

static void other_numbers_stay(void **state)
{
    static const struct text_case rows[] = {
        { "10:12:33 UTC, 2031-03-14T10:12:33Z",
          "10:12:33 UTC, 2031-03-14T10:12:33Z" },
        { "version 1.2.3 of 4.5", "version 1.2.3 of 4.5" },
        { "2 s, 3 w and 1.50, 2.75", "2 s, 3 w and 1.50, 2.75" },
        { "turned by 120° to the east", "turned by 120° to the east" },
        { "QM12ab de Q0MIL: 3 of 4", "QM12ab de Q0MIL: 3 of 4" },
        { "IC70 and 300.4.1", "IC70 and 300.4.1" },
        { "myrouter.example.org", "myrouter.example.org" },
        { "", "" },
    };

    (void) state;
    scrub_all(4, rows, COUNT_OF(rows) - 1);
    scrub_case(&(struct scrub){ .words.row_size = 1 }, &rows[7]);
}

/* 50.130 N, 30.25 W is HO40ud03 (worked by hand: 180 - 30.25 = 149.75 east of
 * 180 W: field 7 (H), 9.75 left: square 4, 1.75: subsquare 21 (v) ... */
static void positions_become_as_coarse_as_allowed(void **state)
{
    static const struct text_case four[] = {
        { "mast at 50.130 N, 30.25 W.", "mast at HO40." },
        { "50.130, -30.250", "HO40" },
        { "in HO40vd52, or ho40vd", "in HO40, or HO40" },
        { "50°7'30\" N, 30°15' W", "(position), (position)" },
        { "50.130° N 30.25° W", "HO40" },
        { "in HO40", "in HO40" },
    };
    static const struct text_case six[] = {
        { "50.130 N, 30.25 W", "HO40vd" },
        { "in HO40vd", "in HO40vd" },
        { "in HO40vd00", "in HO40vd" },
    };
    static const struct text_case none[] = {
        { "50.130 N, 30.25 W", "(position)" },
        { "in HO40vd", "in (position)" },
    };

    (void) state;
    scrub_all(4, four, COUNT_OF(four));
    scrub_all(6, six, COUNT_OF(six));
    scrub_all(0, none, COUNT_OF(none));
}

static void a_text_that_grows_is_cut_and_not_overrun(void **state)
{
    struct scrub scrub;
    char text[24] = "1.1.1.1 1.1.1.1 1.1.1.1";

    (void) state;
    scrub_init(&scrub, 4);
    scrub_text(&scrub, text, sizeof(text));
    assert_string_equal(text, "(address) (address) (ad");
    scrub_clear(&scrub);
}

static void a_position_without_a_locator_to_tell_is_empty(void **state)
{
    struct scrub scrub;
    char text[32] = "50.130 N, 30.25 W";
    char short_one[32] = "HO40";

    (void) state;
    scrub_init(&scrub, 6);
    scrub_position(&scrub, short_one, sizeof(short_one));
    assert_string_equal(short_one, "HO40"); /* not made more precise */
    scrub_clear(&scrub);
    scrub_init(&scrub, 0);
    scrub_position(&scrub, text, sizeof(text));
    assert_string_equal(text, "");
    scrub_clear(&scrub);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(addresses_of_all_sorts_go),
        cmocka_unit_test(other_numbers_stay),
        cmocka_unit_test(positions_become_as_coarse_as_allowed),
        cmocka_unit_test(a_text_that_grows_is_cut_and_not_overrun),
        cmocka_unit_test(a_position_without_a_locator_to_tell_is_empty),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
