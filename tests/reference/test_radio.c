/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Worked examples of radio arithmetic.  The source stands beside each row:
 * "computed" was worked out apart from this program from the formula named,
 * "from memory" could not be looked up and is a hint, not a published value.
 */
#include "reports/bandwidth.h"
#include "reports/path.h"
#include "reports/power.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

struct row {
    const char *source;
    double value, expected, tolerance;
};

static void hold(const struct row *rows, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (!(fabs(rows[i].value - rows[i].expected) <= rows[i].tolerance))
            fail_msg("row %zu: %.9g, expected %.9g +- %g (%s)", i + 1,
                     rows[i].value, rows[i].expected, rows[i].tolerance,
                     rows[i].source);
    }
}

#define HOLD(rows) hold(rows, COUNT_OF(rows))

/* --- bandwidth ----------------------------------------------------------- */

static void a_width_is_written_with_three_digits_and_a_letter(void **state)
{
    static const struct {
        double hz;
        const char *text, *source;
    } rows[] = {
        { 0.002, "H002", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 0.1, "H100", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 25.3, "25H3", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 400, "400H", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 2400, "2K40", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 6000, "6K00", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 12500, "12K5", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 180400, "180K", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 180500, "181K", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 180700, "181K", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 1.25e6, "1M25", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 2e6, "2M00", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 10e6, "10M0", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 202e6, "202M", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 5.65e9, "5G65", "47 CFR 2.202(b)(3), RR appendix 1" },
        { 999.6, "1K00", "computed: the carry changes the letter" },
        { 9996, "10K0", "computed" },
        { 99960, "100K", "computed" },
        { 999600, "1M00", "computed" },
        { 0.9996, "1H00", "computed" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        char text[DESIGNATOR_SIZE];

        bandwidth_write(rows[i].hz, text, sizeof(text));
        if (strcmp(text, rows[i].text) != 0)
            fail_msg("%g Hz: %s, expected %s (%s)", rows[i].hz, text,
                     rows[i].text, rows[i].source);
    }
}

static void frequency_modulation_needs_what_the_table_says(void **state)
{
    const struct row rows[] = {
        { "TRC-43 section 8: 50 Bd, 70 Hz shift, 134HJ2BCN",
          bandwidth_fm_hz(25, 35, 1.2), 134, 1e-9 },
        { "2.202(g) and SM.1138 by a secondary page: 16K0F3EJN",
          bandwidth_fm_hz(3000, 5000, 1), 16e3, 1e-9 },
        { "Radio Regulations of 1947, appendix 5: 36 kHz",
          bandwidth_fm_hz(3000, 15000, 1), 36e3, 1e-9 },
        { "from memory; computed: 180KF3E", bandwidth_fm_hz(15e3, 75e3, 1),
          180e3, 1e-9 },
        { "from memory; computed: 304HF1B", bandwidth_fm_hz(50, 85, 1.2), 304,
          1e-9 },
        { "from memory; computed: 1K42F7B", bandwidth_fm_hz(50, 600, 1.1), 1420,
          1e-9 },
        { "computed by 2.202(g): 45.45 Bd, 170 Hz shift",
          bandwidth_fm_hz(45.45 / 2, 85, 1.2), 249.45, 1e-9 },
        { "US Element 4 pool E8C07, answer key: 9600 Bd, 4800 Hz shift",
          bandwidth_fm_hz(4800, 2400, 1.2), 15.36e3, 1e-9 },
    };

    (void) state;
    HOLD(rows);
}

static void digital_rows_agree_with_what_is_remembered_of_them(void **state)
{
    const struct row rows[] = {
        { "from memory of SM.1138: 2M80F1D", bandwidth_fsk_hz(0.75e6, 1e6),
          2.8e6, 1e-3 },
        { "from memory of SM.1138: 2M36G1D", bandwidth_msk_hz(2e6), 2.36e6,
          1e-3 },
        { "from memory of SM.1138: 10M0G1D", bandwidth_psk_hz(10e6, 1, 4), 10e6,
          1e-3 },
        { "from memory of SM.1138: 45M0W", bandwidth_qam_hz(135e6, 64), 45e6,
          1e-3 },
        { "computed: QPSK, 50 kBd", bandwidth_psk_hz(100e3, 1, 4), 100e3,
          1e-6 },
        { "computed: both FSK rows at 2D/R = 1", bandwidth_fsk_hz(0.5, 1), 2.2,
          1e-9 },
        { "computed: and just below", bandwidth_fsk_hz(0.5 - 1e-9, 1), 2.2,
          1e-6 },
        { "computed: 99 % of the MSK spectrum is 1.1819 R", bandwidth_msk_hz(1),
          1.1819, 0.002 },
        { "computed: 50 kBd, roll-off 0.35", bandwidth_shaped_hz(50e3, 0.35),
          67.5e3, 1e-6 },
    };

    (void) state;
    HOLD(rows);
}

static void steps_get_a_width_and_a_designator(void **state)
{
    /* Carson's rule, 2D + Rs (NTIA manual annex J.4, by a secondary page);
     * numbers computed. */
    static const struct {
        double symbol_rate_bd, deviation_hz, hz;
        uint64_t levels;
        int modulation;
        const char *designator;
    } rows[] = {
        { 9600, 2400, 14.4e3, 2, MODULATION_FSK, "14K4F1D" },
        { 19200, 4800, 28.8e3, 2, MODULATION_FSK, "28K8F1D" },
        { 25e3, 6250, 37.5e3, 2, MODULATION_FSK, "37K5F1D" },
        { 50e3, 12500, 75e3, 2, MODULATION_UNSAID, "75K0F1D" },
        { 25e3, 18750, 62.5e3, 4, MODULATION_FSK, "62K5F1D" },
        { 50e3, 37500, 125e3, 4, MODULATION_FSK, "125KF1D" },
        { 50e3, (double) NAN, 100e3, 4, MODULATION_PSK, "100KG1D" },
        { 2e6, (double) NAN, 2.36e6, 2, MODULATION_MSK, "2M36G1D" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        const struct plan_step step = {
            .symbol_rate_bd = { rows[i].symbol_rate_bd,
                                rows[i].symbol_rate_bd },
            .levels = rows[i].levels,
            .modulation = rows[i].modulation,
            .deviation_hz = rows[i].deviation_hz,
            .roll_off_ratio = (double) NAN,
            .bandwidth_hz = (double) NAN,
        };
        struct bandwidth bandwidth;

        bandwidth_of(&step, &bandwidth);
        assert_true(fabs(bandwidth.hz - rows[i].hz) < 1e-6);
        assert_string_equal(bandwidth.designator, rows[i].designator);
    }
}

static void nothing_carries_more_than_shannon_allows(void **state)
{
    const struct row rows[] = {
        { "computed (books print 19 963, with a rounded factor)",
          bandwidth_most_bps(3000, 20), 19974.6, 0.1 },
        { "computed", bandwidth_most_bps(3000, 30), 29901.7, 0.1 },
        { "Edinboro CSCI 475: about 8 Mbit/s", bandwidth_most_bps(1e6, 24),
          7.978e6, 1e3 },
        { "GATE-style answer, by a secondary page: 40 000; computed",
          bandwidth_most_bps(4000, 30.1), 40001.7, 0.1 },
        { "worked answer, by a secondary page; computed",
          bandwidth_most_bps(300, 10 * log10(2.0)), 475.49, 0.01 },
        { "computed", bandwidth_most_bps(12500, 10), 43242.9, 0.1 },
        { "computed", bandwidth_most_bps(25e3, 10), 86485.8, 0.1 },
        { "computed", bandwidth_most_bps(25e3, 20), 166455.3, 0.1 },
        { "computed", bandwidth_most_bps(100e3, 10), 345943, 1 },
        { "computed", bandwidth_most_bps(100e3, 15), 502781, 1 },
    };

    (void) state;
    HOLD(rows);
}

/* --- path ---------------------------------------------------------------- */

static void free_space_loses_what_p525_says(void **state)
{
    /* ITU-R P.525-5 by a secondary page; numbers computed with its 32.4. */
    const struct row rows[] = {
        { "P.525", path_free_space_db(100e6, 1e3), 72.40, 0.01 },
        { "P.525", path_free_space_db(144e6, 10e3), 95.57, 0.01 },
        { "P.525", path_free_space_db(435e6, 100), 65.17, 0.01 },
        { "P.525", path_free_space_db(435e6, 1e3), 85.17, 0.01 },
        { "P.525", path_free_space_db(435e6, 10e3), 105.17, 0.01 },
        { "P.525", path_free_space_db(435e6, 20e3), 111.19, 0.01 },
        { "P.525", path_free_space_db(435e6, 50e3), 119.15, 0.01 },
        { "P.525", path_free_space_db(430e6, 30e3), 114.61, 0.01 },
        { "computed: exact constant, 0.06 dB apart",
          path_free_space_db(435e6, 10e3), 105.22, 0.06 },
        { "P.525: twice as far",
          path_free_space_db(435e6, 2e4) - path_free_space_db(435e6, 1e4), 6.02,
          0.01 },
        { "computed", path_wavelength_m(435e6), 0.68918, 1e-5 },
    };

    (void) state;
    HOLD(rows);
}

static void obstacles_cost_what_p526_says(void **state)
{
    const double f = 435e6;
    const struct row rows[] = {
        { "P.526-8 eq. (3); computed", path_fresnel_m(1, f, 5e3, 5e3), 41.70,
          0.01 },
        { "computed: 0.6 of it", 0.6 * path_fresnel_m(1, f, 5e3, 5e3), 25.02,
          0.01 },
        { "computed", path_fresnel_m(1, f, 10e3, 10e3), 58.97, 0.01 },
        { "computed", path_fresnel_m(1, f, 1e3, 9e3), 25.02, 0.01 },
        { "computed", path_fresnel_m(1, 145e6, 15e3, 15e3), 125.09, 0.01 },
        { "P.526 eq. (31) by a secondary page; computed", path_edge_db(-0.78),
          0, 0.01 },
        { "computed", path_edge_db(-0.5), 1.96, 0.01 },
        { "computed", path_edge_db(0), 6.03, 0.01 },
        { "textbook: a grazing edge costs 6.02 dB", path_edge_db(0), 6.02,
          0.02 },
        { "computed", path_edge_db(0.5), 10.29, 0.01 },
        { "computed", path_edge_db(1), 13.93, 0.01 },
        { "computed", path_edge_db(1.5), 16.78, 0.01 },
        { "computed", path_edge_db(2), 19.04, 0.01 },
        { "computed", path_edge_db(2.4), 20.54, 0.01 },
        { "computed", path_edge_db(3), 22.42, 0.01 },
        { "computed", path_edge_db(5), 26.81, 0.01 },
        { "exact Fresnel integral at 1, computed", path_edge_db(1), 13.86,
          0.12 },
        { "exact Fresnel integral at 3, computed", path_edge_db(3), 22.52,
          0.12 },
        { "computed", path_edge_v(f, 10, 5e3, 5e3), 0.341, 0.001 },
        { "computed", path_edge_db(path_edge_v(f, 10, 5e3, 5e3)), 8.97, 0.01 },
        { "computed", path_edge_v(f, -25, 5e3, 5e3), -0.852, 0.001 },
        { "computed", path_edge_db(path_edge_v(f, -25, 5e3, 5e3)), 0, 1e-9 },
        { "computed", path_edge_v(f, 30, 2e3, 8e3), 1.278, 0.001 },
        { "computed", path_edge_db(path_edge_v(f, 30, 2e3, 8e3)), 15.60, 0.01 },
    };

    (void) state;
    HOLD(rows);
}

static void the_earth_hides_what_is_far(void **state)
{
    /* k = 4/3 for the standard atmosphere (IALA dictionary); computed. */
    const struct row rows[] = {
        { "computed", path_horizon_m(1.5) / 1e3, 5.05, 0.01 },
        { "computed", path_horizon_m(2) / 1e3, 5.83, 0.01 },
        { "computed", path_horizon_m(10) / 1e3, 13.03, 0.01 },
        { "computed", path_horizon_m(20) / 1e3, 18.43, 0.01 },
        { "computed", path_horizon_m(30) / 1e3, 22.57, 0.02 },
        { "computed", path_horizon_m(100) / 1e3, 41.20, 0.02 },
        { "computed", (path_horizon_m(10) + path_horizon_m(30)) / 1e3, 35.59,
          0.03 },
        { "computed", path_bulge_m(5e3, 5e3), 1.47, 0.01 },
        { "computed", path_bulge_m(20e3, 20e3), 23.54, 0.01 },
        { "computed", path_bulge_m(10e3, 30e3), 17.66, 0.01 },
        { "computed", path_bulge_m(25e3, 25e3), 36.79, 0.01 },
    };

    (void) state;
    HOLD(rows);
}

static void flat_ground_reflects(void **state)
{
    /* Far limit of the plane-earth formula (JPL Wireless Communication
     * Reference); computed. */
    const struct row rows[] = {
        { "computed", path_flat_ground_db(435e6, 20e3, 30, 10), 122.50, 0.01 },
        { "computed", path_flat_ground_db(435e6, 20e3, 10, 10), 132.04, 0.01 },
        { "computed", path_flat_ground_db(435e6, 5e3, 10, 2), 121.94, 0.01 },
        { "computed: free space is more there",
          path_flat_ground_db(435e6, 5e3, 30, 10), 99.15, 0.01 },
    };

    (void) state;
    HOLD(rows);
}

static void crossed_polarisation_costs(void **state)
{
    const struct row rows[] = {
        { "computed", path_polarisation_db(30), 1.25, 0.01 },
        { "computed", path_polarisation_db(45), 3.01, 0.01 },
        { "computed", path_polarisation_db(60), 6.02, 0.01 },
        { "computed", path_polarisation_db(80), 15.2, 0.02 },
        { "computed", path_polarisation_db(84.26), 20.0, 0.01 },
        { "AMSAT mailing list, 2012-11-17: 20 dB in practice",
          path_polarisation_db(90), 20, 1e-9 },
    };

    (void) state;
    HOLD(rows);
}

static void the_way_takes_time(void **state)
{
    const struct row rows[] = {
        { "computed from c", path_delay_ns(1e3) / 1e3, 3.34, 0.01 },
        { "computed", path_delay_ns(10e3) / 1e3, 33.36, 0.01 },
        { "computed", path_delay_ns(30e3) / 1e3, 100.07, 0.01 },
        { "computed", path_delay_ns(50e3) / 1e3, 166.78, 0.01 },
        { "computed", path_delay_ns(100e3) / 1e3, 333.56, 0.01 },
        { "computed", path_delay_ns(150e3) / 1e3, 500.35, 0.01 },
        { "computed", path_guard_least_ns(150e3, 0) / 1e3, 1000.69, 0.01 },
        { "computed", path_guard_reach_m(100e3, 0) / 1e3, 14.99, 0.01 },
        { "computed", path_guard_reach_m(200e3, 0) / 1e3, 29.98, 0.01 },
        { "computed", path_guard_reach_m(500e3, 0) / 1e3, 74.95, 0.01 },
        { "computed", path_guard_reach_m(1e6, 0) / 1e3, 149.90, 0.01 },
        { "3GPP TS 45.010, from memory: one bit of 48/13 us",
          path_guard_reach_m(48e3 / 13, 0), 553.5, 0.1 },
        { "3GPP TS 45.010, from memory: 68.25 bits",
          path_guard_reach_m(68.25 * 48e3 / 13, 0) / 1e3, 37.8, 0.05 },
        { "computed: two clocks at 20 ppm, 0.42 s",
          path_drift_ns(20, 420e6) / 1e3, 16.8, 1e-6 },
        { "computed: 500 us less 16.8 and 40",
          path_guard_reach_m(500e3, 56.8e3) / 1e3, 66.4, 0.05 },
    };

    (void) state;
    HOLD(rows);
}

/* --- power --------------------------------------------------------------- */

static void radiated_power_is_what_the_question_pool_says(void **state)
{
    const double dipole_db = 2.15;
    const struct row rows[] = {
        { "US Element 4 pool E9A02, answer key: ERP 286 W",
          power_w(power_erp_of_eirp_db(
              power_eirp_dbm(150, 2 + 2.2, 7 + dipole_db))),
          286, 0.5 },
        { "E9A06, answer key: ERP 317 W",
          power_w(power_erp_of_eirp_db(
              power_eirp_dbm(200, 4 + 3.2 + 0.8, 10 + dipole_db))),
          317, 0.5 },
        { "E9A07, answer key: EIRP 252 W",
          power_w(power_eirp_dbm(200, 2 + 2.8 + 1.2, 7)), 252, 0.5 },
        { "E9A12, answer key: 6 dBi are 3.85 dBd", power_erp_of_eirp_db(6),
          3.85, 1e-9 },
        { "computed: 10 W, 3 dB, 10 dBi", power_eirp_dbm(10, 3, 10), 47.0,
          0.01 },
        { "computed", power_w(power_eirp_dbm(10, 3, 10)), 50.1, 0.05 },
        { "computed", power_w(power_erp_of_eirp_db(47)), 30.5, 0.05 },
        { "E4D14: -100 dBm is 0.1 pW", power_w(-100) * 1e12, 0.1, 1e-9 },
        { "computed", power_dbm(0.001), 0, 0.01 },
        { "computed", power_dbm(0.5), 26.99, 0.01 },
        { "computed", power_dbm(5), 36.99, 0.01 },
        { "computed", power_dbm(25), 43.98, 0.01 },
        { "computed", power_dbm(1500), 61.76, 0.01 },
    };

    (void) state;
    HOLD(rows);
}

static void a_bad_match_loses_power(void **state)
{
    static const double rows[][5] = {
        /* SWR, reflection, return loss, reflected %, mismatch loss: computed */
        { 1.1, 0.0476, 26.44, 0.23, 0.010 },
        { 1.2, 0.0909, 20.83, 0.83, 0.036 },
        { 1.5, 0.2000, 13.98, 4.00, 0.177 },
        { 2.0, 0.3333, 9.54, 11.11, 0.512 },
        { 2.5, 0.4286, 7.36, 18.37, 0.881 },
        { 3.0, 0.5000, 6.02, 25.00, 1.249 },
        { 5.0, 0.6667, 3.52, 44.44, 2.553 },
        { 10, 0.8182, 1.74, 66.94, 4.807 },
    };
    const struct row line[] = {
        { "handbook form, from memory; computed", power_line_loss_db(3, 2),
          3.389, 0.001 },
        { "handbook form, from memory; computed", power_line_loss_db(3, 3),
          3.968, 0.001 },
        { "handbook form, from memory; computed", power_line_loss_db(1, 2),
          1.196, 0.001 },
        { "computed: a lossy line hides a bad antenna",
          power_swr_at_radio(3, 3), 1.67, 0.01 },
        { "computed", power_line_loss_db(2.5, 1), 2.5, 1e-9 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        const double swr = rows[i][0], reflection = power_reflection(swr);

        assert_true(fabs(reflection - rows[i][1]) <= 1e-4);
        assert_true(fabs(power_return_loss_db(swr) - rows[i][2]) <= 0.01);
        assert_true(fabs(100 * reflection * reflection - rows[i][3]) <= 0.01);
        assert_true(fabs(power_mismatch_loss_db(swr) - rows[i][4]) <= 0.01);
    }
    assert_true(power_reflection(1) == 0 && isinf(power_return_loss_db(1)));
    HOLD(line);
}

static void noise_grows_with_the_bandwidth(void **state)
{
    const struct row rows[] = {
        { "computed", power_noise_floor_dbm(12.5e3, 0), -133.01, 0.03 },
        { "computed", power_noise_floor_dbm(25e3, 0), -130.00, 0.03 },
        { "computed", power_noise_floor_dbm(50e3, 0), -126.99, 0.03 },
        { "computed", power_noise_floor_dbm(100e3, 0), -123.98, 0.03 },
        { "computed", power_noise_floor_dbm(200e3, 0), -120.96, 0.03 },
        { "US Element 4 pool E4C06, answer key: 50 Hz to 1 kHz, 13 dB",
          power_noise_floor_dbm(1000, 0) - power_noise_floor_dbm(50, 0), 13,
          0.02 },
        { "E4C05, answer key: -174 dBm in 1 Hz", power_noise_floor_dbm(1, 0),
          -174, 1e-9 },
        { "computed: sensitivity with C/N 12",
          power_noise_floor_dbm(12.5e3, 6) + 12, -115.03, 0.02 },
        { "computed: C/N 13.35", power_noise_floor_dbm(25e3, 5) + 13.35,
          -111.67, 0.02 },
        { "computed: C/N 13.35", power_noise_floor_dbm(100e3, 6) + 13.35,
          -104.65, 0.02 },
    };

    (void) state;
    HOLD(rows);
}

static void a_whole_budget_adds_up(void **state)
{
    /* 5 W, 2.5 dB of line and 8.15 dBi at each end, 435 MHz, 20 km, 25 kHz,
     * NF 5, C/N 13.35: computed. */
    const double eirp_dbm = power_eirp_dbm(5, 2.5, 8.15);
    const double received_dbm =
        eirp_dbm - path_free_space_db(435e6, 20e3) + 8.15 - 2.5;
    const double needed_dbm = power_noise_floor_dbm(25e3, 5) + 13.35;
    const struct row rows[] = {
        { "computed", eirp_dbm, 42.64, 0.02 },
        { "computed", received_dbm, -62.90, 0.02 },
        { "computed", received_dbm - power_noise_floor_dbm(25e3, 5), 62.12,
          0.02 },
        { "computed", received_dbm - needed_dbm, 48.77, 0.02 },
        { "computed: with a grazing edge",
          received_dbm - needed_dbm - path_edge_db(0), 42.74, 0.02 },
        { "computed: crossed",
          received_dbm - needed_dbm - path_polarisation_db(90), 28.77, 0.02 },
        { "US Element 4 pool E4D13, answer key: received -51 dBm",
          power_eirp_dbm(10, 0, 6) - 100 + 3, -51, 1e-9 },
    };

    (void) state;
    HOLD(rows);
}

static void people_keep_their_distance(void **state)
{
    const double f = 435e6, ground = POWER_GROUND_FACTOR;
    const double public_limit = power_public_limit_wpm2(f);
    const double work_limit = power_occupational_limit_wpm2(f);
    const double foot_m = 0.3048;
    const struct row rows[] = {
        { "47 CFR 1.1310 table 1; computed", public_limit, 2.90, 1e-9 },
        { "47 CFR 1.1310 table 1; computed", work_limit, 14.50, 1e-9 },
        { "47 CFR 1.1310, also seen printed: 0.61 mW/cm2 at 915 MHz",
          power_public_limit_wpm2(915e6) / 10, 0.61, 1e-9 },
        { "47 CFR 1.1310: 0.2 mW/cm2 from 30 to 300 MHz",
          power_public_limit_wpm2(145e6), 2, 1e-9 },
        { "47 CFR 1.1310: 1 mW/cm2 above 1.5 GHz",
          power_public_limit_wpm2(2.4e9), 10, 1e-9 },
        { "published station worksheet by OET bulletin 65: 0.0546 mW/cm2",
          power_density_wpm2(power_w(power_eirp_dbm(1500, 0, 2.20)),
                             100 * foot_m, ground)
              / 10,
          0.0546, 1e-4 },
        { "computed: 5 W, 2.15 dBi, no ground",
          power_exposure_distance_m(power_w(power_eirp_dbm(5, 0, 2.15)),
                                    public_limit, 1),
          0.474, 0.001 },
        { "computed: and with it",
          power_exposure_distance_m(power_w(power_eirp_dbm(5, 0, 2.15)),
                                    public_limit, ground),
          0.759, 0.001 },
        { "computed: at work",
          power_exposure_distance_m(power_w(power_eirp_dbm(5, 0, 2.15)),
                                    work_limit, ground),
          0.339, 0.001 },
        { "computed: 10 W, 8.15 dBi",
          power_exposure_distance_m(power_w(power_eirp_dbm(10, 0, 8.15)),
                                    public_limit, ground),
          2.142, 0.001 },
        { "computed: half of the time",
          power_exposure_distance_m(0.5 * power_w(power_eirp_dbm(10, 0, 8.15)),
                                    public_limit, ground),
          1.515, 0.001 },
        { "computed: a tenth of it",
          power_exposure_distance_m(0.1 * power_w(power_eirp_dbm(10, 0, 8.15)),
                                    public_limit, ground),
          0.677, 0.001 },
        { "computed: 25 W, 12.15 dBi",
          power_exposure_distance_m(power_w(power_eirp_dbm(25, 0, 12.15)),
                                    public_limit, ground),
          5.368, 0.001 },
        { "computed: at work",
          power_exposure_distance_m(power_w(power_eirp_dbm(25, 0, 12.15)),
                                    work_limit, ground),
          2.400, 0.001 },
        { "computed: 50 W, 2.15 dBi",
          power_exposure_distance_m(power_w(power_eirp_dbm(50, 0, 2.15)),
                                    public_limit, ground),
          2.400, 0.001 },
    };

    (void) state;
    HOLD(rows);
    assert_true(isnan(power_public_limit_wpm2(10e6)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_width_is_written_with_three_digits_and_a_letter),
        cmocka_unit_test(frequency_modulation_needs_what_the_table_says),
        cmocka_unit_test(digital_rows_agree_with_what_is_remembered_of_them),
        cmocka_unit_test(steps_get_a_width_and_a_designator),
        cmocka_unit_test(nothing_carries_more_than_shannon_allows),
        cmocka_unit_test(free_space_loses_what_p525_says),
        cmocka_unit_test(obstacles_cost_what_p526_says),
        cmocka_unit_test(the_earth_hides_what_is_far),
        cmocka_unit_test(flat_ground_reflects),
        cmocka_unit_test(crossed_polarisation_costs),
        cmocka_unit_test(the_way_takes_time),
        cmocka_unit_test(radiated_power_is_what_the_question_pool_says),
        cmocka_unit_test(a_bad_match_loses_power),
        cmocka_unit_test(noise_grows_with_the_bandwidth),
        cmocka_unit_test(a_whole_budget_adds_up),
        cmocka_unit_test(people_keep_their_distance),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
