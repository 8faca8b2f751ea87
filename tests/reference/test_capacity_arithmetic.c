/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_arithmetic.h"

#include <bothends/fields.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

/* Rows T6… and T7… are those of the project's reference sheet on radio links,
 * I.T… those of the one on IP metrics; each names its source, or was computed
 * independently. */

static void assert_close(double value, double expected, double tolerance,
                         const char *row)
{
    if (!(fabs(value - expected) <= tolerance * fabs(expected)))
        fail_msg("%s: found %.9g, expected %.9g", row, value, expected);
}

/* 75 kbit/s; guard 0.5, turn 1.5 and preamble 1.92 ms; 16 bytes a slot; 8 slots
 * and a beacon of 20 ms a cycle.  Computed. */
static const struct {
    const char *row;
    uint64_t slot_ms;
    uint64_t slot_bytes;
    double each_bps, efficiency;
} slots[] = {
    { "T6.2", 50, 416, 7923.8, 0.8452 },
    { "T6.3", 20, 134, 5955.6, 0.6353 },
    { "T6.4", 100, 884, 8624.4, 0.9199 },
    { "T6.5", 200, 1822, 8997.5, 0.9597 },
};

static void a_slot_carries_whole_bytes_without_its_overhead(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(slots); i++) {
        const uint64_t use_ns = slots[i].slot_ms * NS_PER_MS - 3920 * NS_PER_US;
        const double cycle_s = 0.020 + 8 * (double) slots[i].slot_ms * 1e-3;
        const uint64_t bytes = capacity_slot_bytes(use_ns, 75000, 16);

        assert_int_equal(bytes, slots[i].slot_bytes);
        assert_close(8 * (double) bytes / cycle_s, slots[i].each_bps, 1e-5,
                     slots[i].row);
        assert_close(8 * 8 * (double) bytes / (cycle_s * 75000),
                     slots[i].efficiency, 1e-4, slots[i].row);
    }
    /* T6.1: 46.08 ms at 75 kbit/s are 3456 bits, not 3455.999. */
    assert_int_equal(capacity_slot_bytes(46080 * NS_PER_US, 75000, 0), 432);
}

/* The link of T6.2: 416 bytes a slot, 420 ms a cycle, 4 bytes a packet. */
static const struct {
    const char *row;
    double down_slots, ack_bytes, mtu, header, segments_per_ack;
    double window, cycles;
    bool may_span;
    double bps;
} fixed[] = {
    { "T7.30", 1, 416, 576, 40, 2, INFINITY, 1, true, 7322.7 },
    { "T7.31", 1, 416, 576, 52, 2, INFINITY, 1, true, 7158.8 },
    { "T7.32", 1, 416, 256, 40, 2, INFINITY, 1, true, 6582.9 },
    { "T7.33", 1, 416, 256, 40, 2, INFINITY, 1, false, 4114.3 },
    { "T7.34", 1, 416, 1500, 40, 2, INFINITY, 1, true, 7692.0 },
    { "T7.35", 4, 416, 576, 40, 2, INFINITY, 1, true, 29290.8 },
    { "T7.36", 4, 416, 576, 40, 2, 2144, 2, true, 20419.0 },
    { "T7.37", 4, 416, 576, 40, 2, 2144, 1, true, 29290.8 },
    { "T7.38 d=2", 7, 44, 576, 40, 2, INFINITY, 1, true, 20419.0 },
    { "T7.38 d=1", 7, 44, 576, 40, 1, INFINITY, 1, true, 10209.5 },
    { "T7.44", 4, 4 * 416, 576, 40, 2, INFINITY, 1, true, 29290.8 },
    { "T7.45: 548 B of UDP", 4, 4 * 416, 576, 28, 2, INFINITY, 1, true,
      29946.5 },
};

static void
fixed_slots_are_limited_by_data_acknowledgements_or_window(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(fixed); i++) {
        const struct capacity_fixed link = {
            .cycle_s = 0.420,
            .data_bytes = fixed[i].down_slots * 416,
            .ack_bytes = fixed[i].ack_bytes,
            .link_bytes = 4,
            .may_span = fixed[i].may_span,
            .window_bytes = fixed[i].window,
            .window_cycles = fixed[i].cycles,
        };
        const struct capacity_flow flow = { fixed[i].mtu, fixed[i].header,
                                            fixed[i].segments_per_ack };

        assert_close(capacity_fixed_bps(&link, &flow), fixed[i].bps, 1e-5,
                     fixed[i].row);
    }
}

static void a_window_fills_the_link_from_rate_times_round_trip_on(void **state)
{
    (void) state;
    /* T7.8 and I.T3.2: RFC 6349 section 3.3.1; kB are 1000 bytes. */
    assert_close(capacity_window_bps(16e3, 0.005), 25.6e6, 1e-12, "16 kB 5 ms");
    assert_close(capacity_window_bps(16e3, 0.010), 12.8e6, 1e-12,
                 "16 kB 10 ms");
    assert_close(capacity_window_bps(64e3, 0.025), 20.48e6, 1e-12,
                 "64 kB 25 ms");
    /* T7.7: RFC 6349 table 3.3.1, 1.536 Mbit/s. */
    assert_close(capacity_window_bps(3840, 0.020), 1.536e6, 1e-12, "3.84 kB");
    assert_close(capacity_window_bps(19200, 0.100), 1.536e6, 1e-12, "19.2 kB");
    /* T7.47: two cycles of 420 ms. */
    assert_close(capacity_window_bps(5926, 0.840), 56440.7, 1e-4, "T7.47");
}

static void the_way_back_saturates_where_it_is_much_slower(void **state)
{
    (void) state;
    /* T7.20: RFC 3449 section 3.1. */
    assert_close(capacity_asymmetry(10e6, 50e3, 1000, 40), 8, 1e-12, "T7.20");
    /* I.T9.2, computed. */
    assert_close(capacity_asymmetry(1, 1, 1500, 40), 0.0267, 2e-3, "I.T9.2");
}

/* I.T9.5 (computed): w packets of 536 + 40 bytes, an acknowledgement of 40,
 * 0.25 s to turn round each time. */
static const struct {
    double rate_bps, bps[3];
} stop_and_turn[] = {
    { 1200, { 930.8, 1063.6, 1089.5 } },
    { 9600, { 4231.6, 6991.3, 7843.9 } },
    { 50000, { 7163.9, 19601.4, 27582.7 } },
};

static void turning_round_costs_more_the_faster_the_modem(void **state)
{
    static const double windows[] = { 1, 4, 8 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(stop_and_turn); i++) {
        for (size_t j = 0; j < COUNT_OF(windows); j++)
            assert_close(capacity_turns_bps(stop_and_turn[i].rate_bps, 0.25, 2,
                                            536 * windows[j],
                                            576 * windows[j] + 40),
                         stop_and_turn[i].bps[j], 5e-5, "I.T9.5");
    }
}

/* I.T8.1 (computed from RFC 5348 section 3.1), bytes a second. */
static const struct {
    double segment, rtt, loss, four_rtt, at_least_1_s, two_per_ack;
} equation[] = {
    { 1460, 0.1, 0.01, 164005.06, 145883.85, 115969.09 },
    { 1460, 0.1, 0.001, 560411.70, 553012.39, 396270.91 },
    { 1460, 0.1, 0.1, 25843.49, 14243.21, 18274.11 },
    { 1460, 1, 0.01, 16400.51, 16400.51, 11596.91 },
    { 256, 2, 0.01, 1437.853, 1437.853, 1016.715 },
    { 1000, 0.5, 0.05, 7371.771, 7371.771, 5212.629 },
};

static void loss_slows_tcp_as_rfc_5348_says(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(equation); i++) {
        const double s = equation[i].segment;
        const double r = equation[i].rtt;
        const double p = equation[i].loss;

        assert_close(capacity_tcp_equation_bps(s, r, p, 1, 4 * r),
                     8 * equation[i].four_rtt, 1e-6, "I.T8.1 4R");
        assert_close(capacity_tcp_equation_bps(s, r, p, 1, fmax(4 * r, 1)),
                     8 * equation[i].at_least_1_s, 1e-6, "I.T8.1 max(4R, 1 s)");
        assert_close(capacity_tcp_equation_bps(s, r, p, 2, 4 * r),
                     8 * equation[i].two_per_ack, 1e-6, "I.T8.1 b=2");
    }
}

static void the_square_root_law_is_as_published(void **state)
{
    (void) state;
    /* T7.50: RFC 3819 section 8.5.3, with C = 1.  What it prints for the long
     * formula does not follow from that formula, and is no check. */
    assert_close(capacity_square_root_bps(1000, 0.120, 0.01, 1), 666667, 1e-6,
                 "T7.50");
    /* I.T8.6 (computed). */
    assert_close(capacity_square_root_bps(1460, 0.1, 0.01, sqrt(1.5)), 1.4305e6,
                 1e-5, "I.T8.6 sqrt(3/2)");
    assert_close(capacity_square_root_bps(1460, 0.1, 0.01, 0.93), 8 * 135780,
                 1e-6, "I.T8.6 0.93");
}

/* I.T8.2 (computed): X = s / (R f(p)), RFC 5348 section 8.1. */
static const double loss_functions[][2] = {
    { 0.0001, 0.00817231 }, { 0.001, 0.0260523 }, { 0.01, 0.0890216 },
    { 0.05, 0.271305 },     { 0.1, 0.564939 },    { 0.5, 23.9600 },
    { 1, 243.316 },
};

/* I.T8.7: RFC 3649 table 2, windows in segments, w = 1.2 / sqrt(p). */
static const double windows_of_losses[][2] = {
    { 1e-2, 12 },    { 1e-3, 38 },    { 1e-4, 120 },
    { 1e-5, 379 },   { 1e-6, 1200 },  { 1e-7, 3795 },
    { 1e-8, 12000 }, { 1e-9, 37948 }, { 1e-10, 120000 },
};

static void losses_leave_the_windows_that_are_published(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(loss_functions); i++)
        assert_close(
            8 / capacity_tcp_equation_bps(1, 1, loss_functions[i][0], 1, 4),
            loss_functions[i][1], 1e-5, "I.T8.2");
    for (size_t i = 0; i < COUNT_OF(windows_of_losses); i++) {
        const double segments =
            capacity_square_root_bps(1, 1, windows_of_losses[i][0], 1.2) / 8;

        if (!(fabs(segments - windows_of_losses[i][1]) <= 1))
            fail_msg("RFC 3649 table 2: found %.9g segments, expected %.9g",
                     segments, windows_of_losses[i][1]);
    }
}

/* T2.50 to T2.53 (RFC 3819 section 8.5.3; computed): 64 to 1500 bytes. */
static const struct {
    double bit_error_ratio, loss_ratio[5];
} frame_losses[] = {
    { 1e-3, { 0.40086, 0.64103, 0.87114, 0.99005, 0.99999 } },
    { 1e-4, { 0.049914, 0.097336, 0.18520, 0.36924, 0.69882 } },
    { 1e-5, { 0.0051069, 0.010188, 0.020272, 0.045035, 0.11308 } },
    { 1e-6, { 5.1187e-4, 1.0235e-3, 2.0459e-3, 4.5974e-3, 0.011928 } },
};

static void bit_errors_lose_long_frames_first(void **state)
{
    static const double frames[] = { 64, 128, 256, 576, 1500 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(frame_losses); i++) {
        for (size_t j = 0; j < COUNT_OF(frames); j++)
            assert_close(capacity_frame_loss_ratio(
                             frame_losses[i].bit_error_ratio, frames[j]),
                         frame_losses[i].loss_ratio[j], 5e-5, "T2.50 to T2.53");
    }
    /* I.T9.4 (computed). */
    assert_close(capacity_frame_loss_ratio(1e-5, 1040), 0.07983, 1e-4,
                 "I.T9.4");
    assert_close(capacity_frame_loss_ratio(1e-6, 1040), 0.008285, 1e-4,
                 "I.T9.4");
}

static void repeats_multiply_the_sends_and_the_losses(void **state)
{
    (void) state;
    /* Section 2.5 of the sheet: mean sends 1 / (1 - FER) without a limit. */
    assert_close(capacity_sends(0.2, 1000), 1.25, 1e-12, "no limit");
    assert_close(capacity_sends(0.2, 0), 1, 1e-12, "no repeats");
    assert_close(capacity_left_lost(0.2, 2), 0.008, 1e-12, "three sends");
}

static const struct {
    const char *row;
    double whole;
    size_t count;
    double wanted[4], shares[4];
} fair[] = {
    /* Keshav 1997, pages 215 to 217. */
    { "T6.30", 10, 4, { 2, 2.6, 4, 5 }, { 2, 2.6, 2.7, 2.7 } },
    { "T6.32", 40, 4, { 5, 10, 30, 50 }, { 5, 10, 12.5, 12.5 } },
    { "T6.33", 100, 3, { 10, 20, 30, 0 }, { 10, 20, 30, 0 } },
};

static void who_wants_less_leaves_the_rest_to_the_others(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(fair); i++) {
        double shares[4];

        capacity_max_min(fair[i].whole, fair[i].wanted, NULL, fair[i].count,
                         shares);
        for (size_t j = 0; j < fair[i].count; j++)
            assert_close(shares[j], fair[i].shares[j], 1e-12, fair[i].row);
    }
}

static void who_weighs_more_gets_more(void **state)
{
    /* T6.31 (inputs: Keshav 1997; computed): so much a unit of weight. */
    static const double weights[] = { 2.5, 4, 0.5, 1 };
    static const double wanted[] = { 4 / 2.5, 2 / 4.0, 10 / 0.5, 4 / 1.0 };
    static const double expected[] = { 4, 2, 6, 4 };
    double shares[4];

    (void) state;
    capacity_max_min(16, wanted, weights, 4, shares);
    for (size_t i = 0; i < 4; i++)
        assert_close(weights[i] * shares[i], expected[i], 1e-12, "T6.31");
}

static void one_slow_station_drags_all_under_equal_throughput(void **state)
{
    /* T6.50 (computed): 12.5, 25 and 75 kbit/s each alone. */
    static const double wanted[] = { INFINITY, INFINITY, INFINITY };
    static const double cost[] = { 1 / 12.5e3, 1 / 25e3, 1 / 75e3 };
    double shares[3];

    (void) state;
    capacity_max_min(1, wanted, cost, 3, shares);
    for (size_t i = 0; i < 3; i++)
        assert_close(shares[i], 7500, 1e-9, "T6.50");
}

/* T6.10 to T6.12 (computed), ms. */
static const struct {
    const char *row;
    size_t count;
    double gaps[3], mean;
} gaps[] = {
    { "T6.10", 1, { 400 }, 200 },
    { "T6.11 even", 2, { 200, 200 }, 100 },
    { "T6.11 uneven", 2, { 100, 300 }, 125 },
    { "T6.12", 3, { 50, 100, 250 }, 93.75 },
};

static void uneven_gaps_make_the_mean_wait_longer(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(gaps); i++)
        assert_close(capacity_mean_wait(gaps[i].gaps, gaps[i].count),
                     gaps[i].mean, 1e-12, gaps[i].row);
    /* T6.13 (computed): one slot of 50 ms each 420 ms, filled by the packet. */
    assert_close(50 + capacity_mean_wait((const double[]){ 420 }, 1), 260,
                 1e-12, "T6.13");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_slot_carries_whole_bytes_without_its_overhead),
        cmocka_unit_test(
            fixed_slots_are_limited_by_data_acknowledgements_or_window),
        cmocka_unit_test(a_window_fills_the_link_from_rate_times_round_trip_on),
        cmocka_unit_test(the_way_back_saturates_where_it_is_much_slower),
        cmocka_unit_test(turning_round_costs_more_the_faster_the_modem),
        cmocka_unit_test(loss_slows_tcp_as_rfc_5348_says),
        cmocka_unit_test(the_square_root_law_is_as_published),
        cmocka_unit_test(losses_leave_the_windows_that_are_published),
        cmocka_unit_test(bit_errors_lose_long_frames_first),
        cmocka_unit_test(repeats_multiply_the_sends_and_the_losses),
        cmocka_unit_test(who_wants_less_leaves_the_rest_to_the_others),
        cmocka_unit_test(who_weighs_more_gets_more),
        cmocka_unit_test(one_slow_station_drags_all_under_equal_throughput),
        cmocka_unit_test(uneven_gaps_make_the_mean_wait_longer),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
