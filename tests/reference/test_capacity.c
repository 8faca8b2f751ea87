/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

/* Rows T… are those of the project's reference sheet on radio links; each
 * names its source or says that it was computed independently. */

static void assert_close(double value, double expected, double tolerance,
                         const char *row)
{
    if (!(fabs(value - expected) <= tolerance * fabs(expected)))
        fail_msg("%s: found %.9g, expected %.9g", row, value, expected);
}

/* Header sizes: RFC 791, 8200, 9293, 7323. */
static const struct {
    const char *row;
    double mtu_bytes, ipv4, ipv4_timestamps, ipv6;
} content_ratios[] = {
    { "T7.1", 256, 0.8438, 0.7969, 0.7656 },
    { "T7.2", 576, 0.9306, 0.9097, 0.8958 },
    { "T7.3", 1280, 0.9688, 0.9594, 0.9531 },
    { "T7.4", 1500, 0.9733, 0.9653, 0.9600 },
};

static void content_is_what_the_headers_leave_of_the_mtu(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(content_ratios); i++) {
        const double mtu_bytes = content_ratios[i].mtu_bytes;
        const char *row = content_ratios[i].row;
        const double ipv4 = IPV4_HEADER_BYTES + TCP_HEADER_BYTES;
        const double ipv6 = IPV6_HEADER_BYTES + TCP_HEADER_BYTES;

        assert_close(capacity_content_ratio(
                         &(struct capacity_flow){ mtu_bytes, ipv4, 1 }),
                     content_ratios[i].ipv4, 1e-4, row);
        assert_close(capacity_content_ratio(&(struct capacity_flow){
                         mtu_bytes, ipv4 + TCP_TIMESTAMP_BYTES, 1 }),
                     content_ratios[i].ipv4_timestamps, 1e-4, row);
        assert_close(capacity_content_ratio(
                         &(struct capacity_flow){ mtu_bytes, ipv6, 1 }),
                     content_ratios[i].ipv6, 1e-4, row);
    }
}

/* Both ways share 8 slots of 416 bytes in 420 ms; 4 bytes of link a packet.
 * Computed from the derivation after RFC 3449 section 3. */
static const struct {
    const char *row;
    struct capacity_flow flow;
    double goodput_bps;
} pooled[] = {
    { "T7.39 d=2", { 576, 40, 2 }, 56440.7 },
    { "T7.39 d=1", { 576, 40, 1 }, 54450.8 },
    { "T7.40", { 576, 52, 2 }, 54632.6 },
    { "T7.41 d=2", { 256, 40, 2 }, 48554.4 },
    { "T7.41 d=1", { 256, 40, 1 }, 45040.6 },
    { "T7.42", { 1500, 40, 2 }, 60648.8 },
    { "T7.43", { 1280, 60, 2 }, 58766.2 },
};

static void pooled_slots_pay_for_acknowledgements(void **state)
{
    const double pool_bps = 8 * 416 * 8 / 0.420;

    (void) state;
    assert_close(pool_bps, 63390.5, 1e-6, "T6.2");
    for (size_t i = 0; i < COUNT_OF(pooled); i++)
        assert_close(capacity_pooled_bps(pool_bps, &pooled[i].flow, 4),
                     pooled[i].goodput_bps, 1e-5, pooled[i].row);
}

/* T7.46: 75 kbit/s, 5 ms a transmission, MTU 576, bursts of n segments and one
 * burst of acknowledgements back, every second segment acknowledged. */
static const struct {
    double segments_count, goodput_bps, round_ms;
} bursts[] = {
    { 1, 56008, 76.6 },
    { 2, 61953, 138.4 },
    { 4, 64275, 266.9 },
    { 8, 65502, 523.7 },
};

static void longer_bursts_pay_less_for_turning_round(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(bursts); i++) {
        const double segments = bursts[i].segments_count;
        const double content_bytes = segments * 536;
        const double air_bytes = segments * 580 + ceil(segments / 2) * 44;
        const double goodput_bps =
            capacity_turns_bps(75e3, 0.005, 2, content_bytes, air_bytes);

        assert_close(goodput_bps, bursts[i].goodput_bps, 2e-5, "T7.46");
        assert_close(content_bytes * 8 / goodput_bps * 1e3, bursts[i].round_ms,
                     1e-3, "T7.46 round");
    }
}

/* --- times --------------------------------------------------------------- */

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

static struct plan plan_of(double slot_limit_ns, uint64_t stations_count)
{
    struct plan plan = {
        .link = { .access = ACCESS_SCHEDULED,
                  .slots = SLOTS_FIXED,
                  .slot_overhead_ns = exactly(0),
                  .slot_limit_ns = exactly(slot_limit_ns),
                  .slot_least_ns = range_unsaid(),
                  .frame_payload_bytes = 240,
                  .stations_count = stations_count,
                  .mtu_bytes = 1500,
                  .distance_m = (double) NAN },
        .end_count = 30,
    };

    for (size_t i = 0; i < plan.end_count; i++)
        plan.ends[i].role = i ? ROLE_STATION : ROLE_HUB;
    return plan;
}

static struct plan_step step_of(double rate_bps)
{
    return (struct plan_step){
        .symbol_rate_bd = exactly(rate_bps),
        .levels = 2,
        .code_rate_ratio = 1,
        .usable_rate_bps = range_unsaid(),
    };
}

/*
 * T6.14 (computed): a cycle of 420 ms, the hub's slot 170 ms after the
 * station's, an answer that fills 50 ms: U(0, 420) + 220.  Here the cycle is 42
 * turns of 10 ms, the hub's the 17th after that of station 25, and an echo of
 * 84 B takes 50 ms.
 */
static void an_echo_waits_for_its_slot_and_for_the_hubs(void **state)
{
    const struct plan plan = plan_of(10e6, 41);
    const struct plan_step step = step_of(84 * 8 / 0.050);
    const struct situation situation = { 0 };
    struct round_trip trip;

    (void) state;
    capacity_round_trip(&plan, &step, &situation, 25, 0, &trip);
    assert_close(trip.likely_least_ns, 220e6, 1e-9, "T6.14 least");
    assert_close(trip.likely_mean_ns, 430e6, 1e-9, "T6.14 mean");
    assert_close(trip.likely_least_ns + trip.spread_ns.high, 640e6, 1e-9,
                 "T6.14 most");
    assert_close(trip.likely_least_ns + 0.95 * trip.spread_ns.high, 619e6, 1e-9,
                 "T6.14: the spread is flat, p95");
}

/* From segment to segment: what a full packet takes. */
static const struct {
    const char *row;
    double rate_bps, mtu_bytes, ms, tolerance;
} serialisations[] = {
    { "T6.6: RFC 3819 section 2.1", 19200, 1500, 625, 1e-9 },
    { "T6.6: RFC 3819 section 2.1, a little over 100 ms", 19200, 256, 106.7,
      1e-3 },
    { "T6.6: RFC 3819 section 2.1, about 8 ms", 1.536e6, 1500, 7.81, 1e-3 },
    { "RFC 3819 section 2.1, 296 B at 9600: computed 247 ms", 9600, 296, 247,
      2e-3 },
    { "RFC 3449 section 3.3: about 280 ms, 1000 B at 28.8 kbit/s", 28800, 1000,
      277.8, 1e-3 },
    { "computed", 75e3, 576, 61.44, 1e-9 },
    { "I.T9.3, computed", 300, 1500, 40e3, 1e-9 },
    { "I.T9.3, computed", 1200, 576, 3840, 1e-9 },
    { "I.T9.3, computed", 2400, 256, 853, 1e-3 },
    { "I.T9.3, computed", 50e3, 576, 92.2, 1e-3 },
    { "I.T9.3, computed", 100e3, 1500, 120, 1e-9 },
};

static void a_packet_takes_its_bits_over_the_rate(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(serialisations); i++) {
        struct plan plan = plan_of(60e9, 1);
        const struct plan_step step = step_of(serialisations[i].rate_bps);
        struct expectation expectation;

        plan.link.mtu_bytes = (uint64_t) serialisations[i].mtu_bytes;
        capacity_expect_of(&plan, &step, &expectation);
        assert_close(expectation.acks.spacing_ns * 1e-6, serialisations[i].ms,
                     serialisations[i].tolerance, serialisations[i].row);
    }
}

static const struct {
    const char *row;
    double symbol_rate_bd;
    uint64_t levels;
    double code_rate_ratio, bps;
} info_rates[] = {
    { "T2.1", 2400, 16, 1, 9600 }, /* Mobasseri 1999, "16-level" */
    { "T2.2", 25e3, 2, 0.5, 12500 },
    { "T2.3", 25e3, 4, 0.5, 25000 },
    { "T2.4", 50e3, 4, 0.75, 75000 },
};

static void information_rate_is_symbols_times_bits_times_code_rate(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(info_rates); i++) {
        const struct plan_step step = {
            .symbol_rate_bd = { info_rates[i].symbol_rate_bd,
                                info_rates[i].symbol_rate_bd },
            .levels = info_rates[i].levels,
            .code_rate_ratio = info_rates[i].code_rate_ratio,
        };
        assert_close(capacity_channel_bps(&step).low, info_rates[i].bps, 1e-12,
                     info_rates[i].row);
    }
}

/* Carson's rule (NTIA manual, annex J.4) with M = symbol rate / 2. */
static const struct {
    const char *row;
    double symbol_rate_bd, deviation_hz, bandwidth_hz;
} bandwidths[] = {
    { "T1.50", 9600, 2400, 14400 },     { "T1.51", 19200, 4800, 28800 },
    { "T1.52", 25e3, 6250, 37500 },     { "T1.53", 50e3, 12.5e3, 75e3 },
    { "T1.54", 25e3, 18.75e3, 62.5e3 },
};

static void necessary_bandwidth_is_by_carson_unless_stated(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(bandwidths); i++) {
        struct plan_step step = {
            .symbol_rate_bd = { bandwidths[i].symbol_rate_bd,
                                bandwidths[i].symbol_rate_bd },
            .deviation_hz = bandwidths[i].deviation_hz,
            .bandwidth_hz = (double) NAN,
        };
        assert_close(capacity_bandwidth_hz(&step), bandwidths[i].bandwidth_hz,
                     1e-12, bandwidths[i].row);
        step.bandwidth_hz = 40e3;
        assert_true(capacity_bandwidth_hz(&step) == 40e3);
        step.bandwidth_hz = step.deviation_hz = (double) NAN;
        assert_true(isnan(capacity_bandwidth_hz(&step)));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(content_is_what_the_headers_leave_of_the_mtu),
        cmocka_unit_test(pooled_slots_pay_for_acknowledgements),
        cmocka_unit_test(longer_bursts_pay_less_for_turning_round),
        cmocka_unit_test(an_echo_waits_for_its_slot_and_for_the_hubs),
        cmocka_unit_test(a_packet_takes_its_bits_over_the_rate),
        cmocka_unit_test(
            information_rate_is_symbols_times_bits_times_code_rate),
        cmocka_unit_test(necessary_bandwidth_is_by_carson_unless_stated),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
