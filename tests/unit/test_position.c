/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <bothends/fields.h>
#include <bothends/position.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka needs those above. */
#include <cmocka.h>

static const double kilometre_m = 1e3;

static struct position at(double latitude_deg, double longitude_deg)
{
    return (struct position){ latitude_deg, longitude_deg, 0 };
}

static void assert_near(double value, double expected, double tolerance,
                        const char *what)
{
    if (!(fabs(value - expected) <= tolerance))
        fail_msg("%s: found %.9g, expected %.9g", what, value, expected);
}

/* The grid: fields of 20 by 10 degrees from 180 W, 90 S; squares of 2 by 1;
 * subsquares of 5 by 2.5 minutes; then tenths, then 24ths again (IARU Region 1
 * VHF Managers Handbook, locator system). */
static const struct {
    const char *text;
    double latitude_deg, longitude_deg; /* of the south-west corner */
    double height_deg, width_deg;
} locators[] = {
    { "AA00", -90, -180, 1, 2 },
    { "AA00aa", -90, -180, 2.5 / 60, 5.0 / 60 },
    { "JJ00aa", 0, 0, 2.5 / 60, 5.0 / 60 },
    { "RR99xx", 90 - 2.5 / 60, 180 - 5.0 / 60, 2.5 / 60, 5.0 / 60 },
    { "ij50KD", 0 + 3 * 2.5 / 60, -10 + 10 * 5.0 / 60, 2.5 / 60, 5.0 / 60 },
    { "JJ00aa99", 9 * 2.5 / 600, 9 * 5.0 / 600, 2.5 / 600, 5.0 / 600 },
    { "JJ00aa99xx", 9 * 2.5 / 600 + 23 * 2.5 / 14400,
      9 * 5.0 / 600 + 23 * 5.0 / 14400, 2.5 / 14400, 5.0 / 14400 },
    /* The example of several published descriptions of the grid: 48 deg 8.8' N,
     * 11 deg 36.5' E lies there, by the middle. */
    { "JN58td", 48.125, 11 + 35.0 / 60, 2.5 / 60, 5.0 / 60 },
};

static void a_locator_is_the_middle_of_its_square(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(locators); i++) {
        struct position position = { 0 };

        assert_true(position_read(locators[i].text, &position));
        assert_near(position.latitude_deg,
                    locators[i].latitude_deg + locators[i].height_deg / 2, 1e-9,
                    locators[i].text);
        assert_near(position.longitude_deg,
                    locators[i].longitude_deg + locators[i].width_deg / 2, 1e-9,
                    locators[i].text);
        const struct position corner =
            at(locators[i].latitude_deg, locators[i].longitude_deg);
        assert_near(position.within_m, position_distance_m(&corner, &position),
                    position.within_m * 0.01, locators[i].text);
    }
}

static const struct {
    const char *text;
    double latitude_deg, longitude_deg;
} degrees[] = {
    { "50.125 N, 30.25 W", 50.125, -30.25 },
    { "50.125, -30.25", 50.125, -30.25 },
    { "50.125N,30.25W", 50.125, -30.25 },
    { "0.5 s, 9 e", -0.5, 9 },
    { "-0.5, 9", -0.5, 9 },
    { "50.125 30.25", 50.125, 30.25 },
    { "50.125\xc2\xb0 N, 30.25\xc2\xb0 W", 50.125, -30.25 },
    { "  90 N , 180 E  ", 90, 180 },
    { ".5 N, .25 E", 0.5, 0.25 },
};

static void degrees_are_read_as_people_write_them(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(degrees); i++) {
        struct position position = { 0 };

        if (!position_read(degrees[i].text, &position))
            fail_msg("'%s' was refused", degrees[i].text);
        assert_near(position.latitude_deg, degrees[i].latitude_deg, 1e-12,
                    degrees[i].text);
        assert_near(position.longitude_deg, degrees[i].longitude_deg, 1e-12,
                    degrees[i].text);
        assert_true(position.within_m == 0);
    }
}

static void what_is_no_position_is_refused(void **state)
{
    static const char *const texts[] = {
        "",          "hilltop",         "SS00aa",    "AA0",         "AAA0",
        "AA00a",     "AA00ay",          "AA00aa0",   "AA00aa00aa0", "AA00 aa",
        "91 N, 0 E", "0 N, 181 E",      "-5 N, 9 E", "50 E, 9 N",   "50.125",
        "50.125,",   "nan, nan",        "inf, 0",    "0x10, 0",     "50, 9, 3",
        "5e400, 1",  "50.125 N 30 W x", "N 50, W 9",
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        struct position position = { 0 };

        if (position_read(texts[i], &position))
            fail_msg("'%s' was taken", texts[i]);
    }
}

static void distances_are_right_within_half_a_percent(void **state)
{
    const struct position pole = at(90, 0), equator = at(0, 0);
    const struct position minute = at(1.0 / 60, 0);
    const struct position one = at(36.12, -86.67), two = at(33.94, -118.40);
    const struct position west = at(10, 179.5), east = at(10, -179.5);

    (void) state;
    assert_near(position_distance_m(&equator, &pole), 10001.966 * kilometre_m,
                0.005 * 10001.966 * kilometre_m,
                "quarter of a meridian, GRS 80: 10 001.966 km");
    assert_near(position_distance_m(&equator, &minute), 1852, 0.005 * 1852,
                "a minute of latitude: the nautical mile");
    assert_near(position_distance_m(&one, &two),
                2887.2599506 * kilometre_m * 6371 / 6372.8, 1,
                "the worked example of the haversine formula that is common in "
                "tutorials: 2887.2599506 km at 6372.8 km");
    assert_near(position_distance_m(&one, &two),
                position_distance_m(&two, &one), 1e-6, "there and back");
    assert_near(position_distance_m(&west, &east),
                111195 * cos(position_radians(10)), 2, "across the date line");
    assert_near(position_distance_m(&one, &one), 0, 1e-9, "nowhere");
}

static void bearings_count_from_north_by_east(void **state)
{
    const struct position here = at(0, 0), north = at(1, 0), east = at(0, 1);
    const struct position south = at(-1, 0), west = at(0, -1);
    const struct position far = at(60, 90), high = at(60, 0);

    (void) state;
    assert_near(position_bearing_deg(&here, &north), 0, 1e-9, "north");
    assert_near(position_bearing_deg(&here, &east), 90, 1e-9, "east");
    assert_near(position_bearing_deg(&here, &south), 180, 1e-9, "south");
    assert_near(position_bearing_deg(&here, &west), 270, 1e-9, "west");
    /* Spherical trigonometry: cot A = sin 60 for a quarter of the way round. */
    assert_near(position_bearing_deg(&high, &far), 49.1066, 1e-4,
                "a great circle bends to the pole");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_locator_is_the_middle_of_its_square),
        cmocka_unit_test(degrees_are_read_as_people_write_them),
        cmocka_unit_test(what_is_no_position_is_refused),
        cmocka_unit_test(distances_are_right_within_half_a_percent),
        cmocka_unit_test(bearings_count_from_north_by_east),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
