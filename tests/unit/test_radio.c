/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Sites, ways and budgets of a plan: the worked examples of
 * reference/test_radio.c taken through the plan's keys.  "computed" was worked
 * out apart from this program.
 */
#include "reports/radio.h"

#include "reports/path.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

static const double unsaid = (double) NAN;

static void assert_near(double value, double expected, double tolerance,
                        const char *what)
{
    if (!(fabs(value - expected) <= tolerance))
        fail_msg("%s: found %.9g, expected %.9g", what, value, expected);
}

static struct plan_end end_of(int role, const char *name)
{
    struct plan_end end = {
        .role = role,
        .ground_m = unsaid,
        .power_w = unsaid,
        .feed_length_m = unsaid,
        .feed_loss_db = unsaid,
        .antenna_gain_dbi = unsaid,
        .antenna_height_m = unsaid,
        .antenna_azimuth_deg = unsaid,
        .antenna_swr = unsaid,
        .noise_figure_db = unsaid,
        .noise_rise_db = unsaid,
        .distance_m = unsaid,
        .obstacle_distance_m = unsaid,
        .obstacle_height_m = unsaid,
    };

    (void) snprintf(end.name, sizeof(end.name), "%s", name);
    return end;
}

static struct plan_step step_of(double bandwidth_hz)
{
    return (struct plan_step){
        .symbol_rate_bd = range_unsaid(),
        .usable_rate_bps = range_unsaid(),
        .deviation_hz = unsaid,
        .roll_off_ratio = unsaid,
        .bandwidth_hz = bandwidth_hz,
        .sensitivity_dbm = unsaid,
        .signal_to_noise_db = unsaid,
    };
}

static struct plan bare_plan(void)
{
    struct plan plan = {
        .link = { .frequency_hz = 435e6,
                  .distance_m = unsaid,
                  .limit_power_w = unsaid,
                  .limit_eirp_w = unsaid,
                  .limit_exposure_wpm2 = unsaid },
        .step_count = 1,
        .end_count = 2,
    };

    plan.ends[0] = end_of(ROLE_HUB, "hilltop");
    plan.ends[1] = end_of(ROLE_STATION, "boathouse");
    plan.steps[0] = step_of(25e3);
    return plan;
}

/* T4.70: 5 W, 2.5 dB of line and 8.15 dBi at each end, 435 MHz, 20 km, 25 kHz,
 * NF 5, C/N 13.35. */
static struct plan worked_plan(void)
{
    struct plan plan = bare_plan();

    for (size_t i = 0; i < plan.end_count; i++) {
        plan.ends[i].power_w = 5;
        plan.ends[i].feed_loss_db = 2.5;
        plan.ends[i].antenna_gain_dbi = 8.15;
        plan.ends[i].noise_figure_db = 5;
    }
    plan.link.distance_m = 20e3;
    plan.steps[0].signal_to_noise_db = 13.35;
    return plan;
}

static struct radio_budget budget_of(const struct plan *plan, bool to_hub)
{
    struct radio_budget budget;
    struct radio_path path;

    radio_look_at_path(plan, 1, &path);
    radio_budget(plan, &plan->steps[0], &path, to_hub, &budget);
    return budget;
}

/* --- budgets ------------------------------------------------------------- */

static void the_worked_budget_comes_out_both_ways(void **state)
{
    const struct plan plan = worked_plan();

    (void) state;
    for (int to_hub = 0; to_hub < 2; to_hub++) {
        const struct radio_budget budget = budget_of(&plan, to_hub);

        assert_near(budget.received_dbm.high, -62.90, 0.02, "T4.70 received");
        assert_near(budget.noise_dbm, -125.02, 0.02, "T4.70 noise");
        assert_near(budget.signal_to_noise_db.high, 62.12, 0.02, "T4.70 C/N");
        assert_near(budget.needed_dbm, -111.67, 0.02, "T4.70, T3.6 needed");
        assert_near(budget.margin_db.high, 48.77, 0.02, "T4.70 margin");
        /* Without heights nothing is known of the ground. */
        assert_true(budget.margin_db.low == budget.margin_db.high);
    }
}

static void an_edge_and_crossed_waves_are_taken_off_the_margin(void **state)
{
    struct plan plan = worked_plan();

    (void) state;
    plan.ends[0].antenna_polarisation = POLARISATION_VERTICAL;
    plan.ends[1].antenna_polarisation = POLARISATION_HORIZONTAL;
    assert_near(budget_of(&plan, true).margin_db.high, 28.77, 0.02,
                "T4.70 crossed");
    plan.ends[1].antenna_polarisation = POLARISATION_LEFT;
    assert_near(budget_of(&plan, true).margin_db.high, 48.77 - 3, 0.02,
                "circular to linear, 3 dB (AMSAT mailing list, 2012-11-17)");
    plan.ends[0].antenna_polarisation = POLARISATION_LEFT;
    assert_near(budget_of(&plan, true).margin_db.high, 48.77, 0.02, "alike");

    /* Grazing: the Earth bulges by 10 x 10 / 16.99 = 5.886 m in the middle. */
    plan.ends[0].antenna_height_m = plan.ends[1].antenna_height_m = 100;
    plan.ends[1].obstacle_distance_m = 10e3;
    plan.ends[1].obstacle_height_m = 100 - 5.886;
    assert_near(budget_of(&plan, true).margin_db.high, 42.74, 0.02,
                "T4.70 with a grazing edge");
}

static void margins_are_what_the_question_pool_says(void **state)
{
    struct plan plan = bare_plan();
    /* So far that free space is the path loss of the question. */
    const double one_km_db = path_free_space_db(435e6, 1e3);

    (void) state;
    plan.ends[0].power_w = 10; /* 40 dBm */
    plan.ends[0].feed_loss_db = 3;
    plan.ends[0].antenna_gain_dbi = 10;
    plan.ends[1].antenna_gain_dbi = 0;
    plan.link.distance_m = 1e3 * pow(10, (136 - one_km_db) / 20);
    plan.steps[0].sensitivity_dbm = -103 + 6;
    assert_near(budget_of(&plan, false).margin_db.high, 8, 1e-9,
                "T3.13: US Element 4 pool E4D12, answer key: +8 dB");
    plan.ends[0].feed_loss_db = 0;
    plan.ends[0].antenna_gain_dbi = 6;
    plan.ends[1].antenna_gain_dbi = 3;
    plan.link.distance_m = 1e3 * pow(10, (100 - one_km_db) / 20);
    assert_near(budget_of(&plan, false).received_dbm.high, -51, 1e-9,
                "T3.14: E4D13, answer key: -51 dBm");
}

static void flat_ground_is_the_low_end_where_heights_are_said(void **state)
{
    struct plan plan = worked_plan();

    (void) state;
    plan.ends[0].antenna_height_m = 30;
    plan.ends[1].antenna_height_m = 10;
    const struct radio_budget budget = budget_of(&plan, true);

    assert_near(budget.received_dbm.high - budget.received_dbm.low,
                122.50 - 111.19, 0.02, "T4.30");
    assert_near(budget.margin_db.high, 48.77, 0.02, "T4.70");
}

static void noise_from_outside_raises_what_is_needed(void **state)
{
    struct plan plan = worked_plan();

    (void) state;
    plan.ends[0].noise_rise_db = 7;
    assert_near(budget_of(&plan, true).margin_db.high, 48.77 - 7, 0.02,
                "above the noise");
    assert_near(budget_of(&plan, false).margin_db.high, 48.77, 0.02,
                "not at the other end");
    plan.steps[0].sensitivity_dbm = -111.67;
    assert_near(budget_of(&plan, true).margin_db.high, 48.77 - 7, 0.02,
                "above a stated sensitivity");
}

static void the_least_margin_is_that_of_the_worst_way(void **state)
{
    struct plan plan = worked_plan();
    size_t station = 0;

    (void) state;
    plan.end_count = 4;
    plan.ends[2] = plan.ends[1];
    plan.ends[2].distance_m = 40e3;
    /* A landmark beside the far station is none of its ways. */
    plan.ends[3] = plan.ends[1];
    plan.ends[3].landmark = LANDMARK_FAR_RADIO;
    plan.ends[3].distance_m = 400e3;
    const struct range margin_db =
        radio_least_margin_db(&plan, &plan.steps[0], &station);

    assert_int_equal(station, 2);
    assert_near(margin_db.high, 48.77 - 6.02, 0.02,
                "twice as far: 6.02 dB (P.525)");
    /* Of the two directions the weaker one counts. */
    plan.ends[2].power_w = 2.5;
    assert_near(radio_least_margin_db(&plan, &plan.steps[0], NULL).high,
                48.77 - 6.02 - 3.01, 0.02, "half of the power");
    plan.link.frequency_hz = unsaid;
    assert_true(isnan(radio_least_margin_db(&plan, &plan.steps[0], NULL).high));
}

/* --- sites --------------------------------------------------------------- */

static const struct {
    const char *source;
    double power_w, loss_db, gain_dbi, eirp_w, erp_w, tolerance_w;
} sites[] = {
    { "T4.40: US Element 4 pool E9A02, answer key", 150, 4.2, 9.15, NAN, 286,
      0.5 },
    { "T4.41: E9A06, answer key", 200, 8, 12.15, NAN, 317, 0.5 },
    { "T4.42: E9A07, answer key", 200, 6, 7, 252, NAN, 0.5 },
    { "T4.44, computed", 10, 3, 10, 50.1, 30.5, 0.05 },
};

static void a_site_radiates_what_line_and_antenna_leave(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(sites); i++) {
        struct plan plan = bare_plan();
        struct radio_site site;

        plan.ends[0].power_w = sites[i].power_w;
        plan.ends[0].feed_loss_db = sites[i].loss_db;
        plan.ends[0].antenna_gain_dbi = sites[i].gain_dbi;
        radio_look_at_site(&plan, 0, &site);
        if (!isnan(sites[i].eirp_w))
            assert_near(site.eirp_w, sites[i].eirp_w, sites[i].tolerance_w,
                        sites[i].source);
        if (!isnan(sites[i].erp_w))
            assert_near(site.erp_w, sites[i].erp_w, sites[i].tolerance_w,
                        sites[i].source);
    }
}

static void a_bad_match_adds_to_the_line(void **state)
{
    struct plan plan = bare_plan();
    struct radio_site site;

    (void) state;
    plan.ends[0].feed_loss_db = 3;
    plan.ends[0].antenna_swr = 2;
    radio_look_at_site(&plan, 0, &site);
    assert_near(site.line_loss_db, 3.389, 0.001,
                "T4.61: handbook form, from memory; computed");
    plan.ends[0].antenna_swr = unsaid;
    radio_look_at_site(&plan, 0, &site);
    assert_near(site.line_loss_db, 3, 1e-12, "no SWR said");
    assert_true(isnan(site.eirp_w));
}

static void people_keep_off_by_the_typed_limit_or_the_default(void **state)
{
    struct plan plan = bare_plan();
    struct radio_site site;

    (void) state;
    plan.ends[0].power_w = 10;
    plan.ends[0].antenna_gain_dbi = 8.15;
    radio_look_at_site(&plan, 0, &site);
    assert_true(site.is_limit_default);
    assert_near(site.density_limit_wpm2, 2.90, 1e-9,
                "T8.10: 47 CFR 1.1310 table 1");
    assert_near(site.exposure_distance_m, 2.142, 0.001, "T8.14, computed");
    plan.ends[0].power_w = 25;
    plan.ends[0].antenna_gain_dbi = 12.15;
    plan.link.limit_exposure_wpm2 = 14.50;
    radio_look_at_site(&plan, 0, &site);
    assert_false(site.is_limit_default);
    assert_near(site.exposure_distance_m, 2.400, 0.001,
                "T8.15, computed: at work");
}

static void limits_are_held_against_what_is_said_of_a_site(void **state)
{
    struct plan plan = bare_plan();
    struct radio_site site;

    (void) state;
    plan.ends[0].power_w = 10;
    plan.ends[0].antenna_gain_dbi = 3;
    radio_look_at_site(&plan, 0, &site);
    assert_false(site.is_over_power || site.is_over_eirp);
    plan.link.limit_power_w = 10;
    plan.link.limit_eirp_w = 19.9; /* 10 W and 3 dB are 19.95 W */
    radio_look_at_site(&plan, 0, &site);
    assert_false(site.is_over_power);
    assert_true(site.is_over_eirp);
    plan.link.limit_power_w = 9.9;
    radio_look_at_site(&plan, 0, &site);
    assert_true(site.is_over_power);
}

/* --- ways ---------------------------------------------------------------- */

static void
a_typed_distance_goes_before_positions_and_those_before_the_links(void **state)
{
    struct plan plan = bare_plan();
    struct radio_path path;

    (void) state;
    plan.link.distance_m = 3e3;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.distance_m, 3e3, 1e-9, "link.distance");
    assert_true(isnan(path.positions_m) && isnan(path.bearing_from_hub_deg));
    (void) snprintf(plan.ends[0].position, sizeof(plan.ends[0].position),
                    "0 N, 9 W");
    (void) snprintf(plan.ends[1].position, sizeof(plan.ends[1].position),
                    "0 N, 8 W");
    radio_look_at_path(&plan, 1, &path);
    /* A degree of 6371 km x 2 pi / 360. */
    assert_near(path.distance_m, 111195, 1, "positions");
    assert_near(path.bearing_from_hub_deg, 90, 1e-9, "east");
    assert_near(path.bearing_from_station_deg, 270, 1e-9, "west");
    plan.ends[1].distance_m = 5e3;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.distance_m, 5e3, 1e-9, "typed at the station");
    assert_near(path.positions_m, 111195, 1, "still known");
}

static void the_way_takes_time_that_the_guard_must_hold_twice(void **state)
{
    struct plan plan = bare_plan();
    struct radio_path path;

    (void) state;
    plan.link.distance_m = 150e3;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.delay_ns, 500350, 10, "T5.6, computed from c");
    assert_near(path.guard_least_ns, 1000690, 10, "T5.6");
    assert_near(path.free_space_db, 111.19 + 20 * log10(7.5), 0.01,
                "T4.4: P.525, 7.5 times as far");
}

static void an_obstacle_stands_above_the_line_by_height_and_bulge(void **state)
{
    struct plan plan = bare_plan();
    struct radio_path path;

    (void) state;
    plan.link.distance_m = 10e3;
    plan.ends[0].ground_m = 100;
    plan.ends[0].antenna_height_m = 30;
    plan.ends[1].ground_m = 40;
    plan.ends[1].antenna_height_m = 10;
    /* In the middle the line is 90 m up. */
    plan.ends[1].obstacle_distance_m = 5e3;
    plan.ends[1].obstacle_height_m = 90 + 10 - 1.47;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.obstacle_above_m, 10, 0.01, "T4.22: the bulge is 1.47 m");
    assert_near(path.fresnel_m, 41.70, 0.01, "T4.10: P.526-8 eq. (3)");
    assert_near(path.obstacle_db, 8.97, 0.02, "T4.17: P.526 eq. (31)");
    plan.ends[1].obstacle_height_m -= 35;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.obstacle_db, 0, 1e-9, "T4.18: cleared by 0.6 R1");
    /* Nearer to the station the line is lower. */
    plan.ends[1].obstacle_distance_m = 2e3;
    plan.ends[1].obstacle_height_m = 88;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.obstacle_above_m, 22 + 0.94, 0.01,
                "line 50 + 80 / 5 = 66 m up, bulge 2 x 8 / 16.99");
}

static void the_horizon_is_that_of_both_antennas(void **state)
{
    struct plan plan = bare_plan();
    struct radio_path path;

    (void) state;
    plan.ends[0].antenna_height_m = 30;
    radio_look_at_path(&plan, 1, &path);
    assert_true(isnan(path.horizon_m));
    plan.ends[1].antenna_height_m = 10;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.horizon_m, 35.59e3, 30, "T4.21, computed");
    /* A hill adds to its antenna; a plateau under both adds to none. */
    plan.ends[0].ground_m = plan.ends[1].ground_m = 500;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.horizon_m, 35.59e3, 30, "T4.21 on a plateau");
    plan.ends[0].ground_m = 570;
    radio_look_at_path(&plan, 1, &path);
    assert_near(path.horizon_m, 41.20e3 + 13.03e3, 30,
                "T4.20: 100 m and 10 m, computed");
}

static void the_hub_is_the_site_and_not_its_landmarks(void **state)
{
    struct plan plan = worked_plan();
    struct radio_path path;

    (void) state;
    plan.end_count = 3;
    plan.ends[2] = plan.ends[0];
    plan.ends[0].landmark = LANDMARK_OWN_RADIO;
    radio_look_at_path(&plan, 1, &path);
    assert_int_equal(path.hub, 2);
}

/* --- on the bench -------------------------------------------------------- */

static void attenuators_take_what_the_air_would(void **state)
{
    struct plan plan = bare_plan();

    (void) state;
    plan.ends[0].power_w = pow(10, 0.7); /* 37 dBm */
    plan.step_count = 2;
    plan.steps[1] = plan.steps[0];
    plan.steps[0].sensitivity_dbm = -105;
    plan.steps[1].sensitivity_dbm = -90;
    assert_near(radio_attenuation_db(&plan, 0, 1, 30), 97, 1e-9,
                "T8.20, computed: 37 dBm to -60 dBm");
    /* By noise: -174 + 10 log 25e3 + 5 + 13.35 = -111.67 dBm (T3.6). */
    plan.steps[0].sensitivity_dbm = plan.steps[1].sensitivity_dbm = unsaid;
    plan.steps[1].signal_to_noise_db = 13.35;
    plan.ends[1].noise_figure_db = 5;
    plan.ends[1].noise_rise_db = 20; /* not on the bench */
    assert_near(radio_attenuation_db(&plan, 0, 1, 0), 37 + 111.67, 0.02,
                "T3.6");
    plan.ends[0].power_w = unsaid;
    assert_true(isnan(radio_attenuation_db(&plan, 0, 1, 0)));
}

/* --- what is missing ----------------------------------------------------- */

static void what_a_margin_lacks_is_named(void **state)
{
    struct plan plan = bare_plan();
    char text[400];

    (void) state;
    plan.link.frequency_hz = unsaid;
    radio_missing(&plan, text, sizeof(text));
    assert_string_equal(text, "link.frequency, sensitivity of the steps, power "
                              "of hilltop and boathouse, antenna.gain of "
                              "hilltop and boathouse, link.distance");
    plan.end_count = 3;
    plan.ends[2] = plan.ends[1];
    radio_missing(&plan, text, sizeof(text));
    assert_string_equal(text, "link.frequency, sensitivity of the steps, power "
                              "of 3 sites, antenna.gain of 3 sites, "
                              "link.distance");
    plan = worked_plan();
    radio_missing(&plan, text, sizeof(text));
    assert_string_equal(text, "");
    plan.ends[0].noise_figure_db = unsaid;
    radio_missing(&plan, text, sizeof(text));
    assert_string_equal(text, "noise.figure of hilltop");
    /* A stated sensitivity has the noise in it. */
    plan.steps[0].sensitivity_dbm = -110;
    radio_missing(&plan, text, sizeof(text));
    assert_string_equal(text, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_budget_comes_out_both_ways),
        cmocka_unit_test(an_edge_and_crossed_waves_are_taken_off_the_margin),
        cmocka_unit_test(margins_are_what_the_question_pool_says),
        cmocka_unit_test(flat_ground_is_the_low_end_where_heights_are_said),
        cmocka_unit_test(noise_from_outside_raises_what_is_needed),
        cmocka_unit_test(the_least_margin_is_that_of_the_worst_way),
        cmocka_unit_test(a_site_radiates_what_line_and_antenna_leave),
        cmocka_unit_test(a_bad_match_adds_to_the_line),
        cmocka_unit_test(people_keep_off_by_the_typed_limit_or_the_default),
        cmocka_unit_test(limits_are_held_against_what_is_said_of_a_site),
        cmocka_unit_test(
            a_typed_distance_goes_before_positions_and_those_before_the_links),
        cmocka_unit_test(the_way_takes_time_that_the_guard_must_hold_twice),
        cmocka_unit_test(an_obstacle_stands_above_the_line_by_height_and_bulge),
        cmocka_unit_test(the_horizon_is_that_of_both_antennas),
        cmocka_unit_test(the_hub_is_the_site_and_not_its_landmarks),
        cmocka_unit_test(attenuators_take_what_the_air_would),
        cmocka_unit_test(what_a_margin_lacks_is_named),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
