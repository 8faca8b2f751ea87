/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air.h"
#include "reports/capacity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

static struct plan_link scheduled_link(void)
{
    return (struct plan_link){
        .frequency_hz = (double) NAN,
        .access = ACCESS_SCHEDULED,
        .slot_overhead_ns = exactly(12e6),
        .slot_least_ns = range_unsaid(),
        .slot_limit_ns = exactly(250e6),
        .frame_payload_bytes = 240,
        .frame_overhead_bytes = 12,
        .mtu_bytes = 1500,
        .distance_m = (double) NAN,
        .limit_bandwidth_hz = (double) NAN,
        .limit_duty_ratio = (double) NAN,
    };
}

/* Two-level symbols at code rate 3/4: 80 kBd give 60 kbit/s. */
static struct plan_step step_of(double symbol_rate_bd)
{
    struct plan_step step = {
        .name = "made-up",
        .symbol_rate_bd = exactly(symbol_rate_bd),
        .levels = 2,
        .code_rate_ratio = 0.75,
        .usable_rate_bps = range_unsaid(),
        .deviation_hz = (double) NAN,
        .bandwidth_hz = (double) NAN,
        .sensitivity_dbm = (double) NAN,
    };
    return step;
}

static struct plan_step published_step(double low_bps, double high_bps,
                                       int usable_rate_is)
{
    struct plan_step step = step_of(0);

    step.symbol_rate_bd = range_unsaid();
    step.levels = 0;
    step.usable_rate_bps = (struct range){ low_bps, high_bps };
    step.usable_rate_is = usable_rate_is;
    return step;
}

static struct expectation expect(const struct plan_link *link,
                                 const struct plan_step *step)
{
    struct expectation expectation;

    capacity_expect(link, step, &expectation);
    return expectation;
}

static void assert_within(double value, struct range range, const char *what)
{
    if (!(value >= range.low && value <= range.high))
        fail_msg("%s: %.9g is not within %.9g to %.9g", what, value, range.low,
                 range.high);
}

static void assert_contains(struct range outer, struct range inner,
                            const char *what)
{
    assert_within(inner.low, outer, what);
    assert_within(inner.high, outer, what);
}

/* --- against the practice link's air, which shares no arithmetic --------- */

/* A receiver that answers every n-th segment, and what it got. */
struct receiver {
    size_t sender;
    uint64_t segments_per_ack, segments_count, acks_due, measured_bytes;
    uint64_t content_bytes, from_ns;
    uint64_t last_ns, first_ns;
};

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct receiver *receiver = owner;

    assert_int_equal(fate, FATE_DELIVERED);
    if (packet->from != receiver->sender)
        return; /* an acknowledgement */
    receiver->segments_count++;
    receiver->acks_due +=
        receiver->segments_count % receiver->segments_per_ack == 0;
    if (packet->over_ns < receiver->from_ns)
        return;
    if (receiver->first_ns)
        receiver->measured_bytes += receiver->content_bytes;
    else
        receiver->first_ns = packet->over_ns;
    receiver->last_ns = packet->over_ns;
}

/* Content delivered by a sender that always has segments waiting. */
static double flow_over_air_bps(double rate_bps, size_t sender,
                                uint64_t segments_per_ack,
                                uint64_t header_bytes)
{
    const struct air_config config = {
        .end_count = 2,
        .step_bps = { (uint64_t) rate_bps },
        .step_count = 1,
        .slot_overhead_ns = 12 * NS_PER_MS,
        .slot_least_ns = AIR_NEVER,
        .slot_limit_ns = 250 * NS_PER_MS,
        .frame_payload_bytes = 240,
        .frame_overhead_bytes = 12,
        .queue_bytes = 1000000,
    };
    struct receiver receiver = {
        .sender = sender,
        .segments_per_ack = segments_per_ack,
        .content_bytes = 1500 - header_bytes,
        .from_ns = 10 * NS_PER_S,
    };
    const struct air_listener listener = { .on_fate = on_fate,
                                           .owner = &receiver };
    struct air *air = air_new(&config, &listener, 0);
    const uint64_t end_ns = 400 * NS_PER_S;

    for (uint64_t now_ns = 0; now_ns < end_ns; now_ns = air_next_ns(air)) {
        air_advance(air, now_ns);
        while (air_waiting_bytes(air, sender) < 200000)
            air_enqueue(air, now_ns, sender, 1 - sender, 1500, NULL);
        for (; receiver.acks_due; receiver.acks_due--)
            air_enqueue(air, now_ns, 1 - sender, sender, header_bytes, NULL);
    }
    air_free(air);
    return (double) (receiver.measured_bytes * BITS_PER_BYTE) * 1e9
           / (double) (receiver.last_ns - receiver.first_ns);
}

static void the_air_carries_what_is_expected_within_a_tight_range(void **state)
{
    static const double symbol_rates_bd[] = { 20e3, 40e3,  64e3,
                                              80e3, 160e3, 400e3 };
    const struct plan_link link = scheduled_link();

    (void) state;
    for (size_t i = 0; i < COUNT_OF(symbol_rates_bd); i++) {
        const double rate_bps = symbol_rates_bd[i] * 0.75;
        const struct plan_step step = step_of(symbol_rates_bd[i]);
        const struct range range = expect(&link, &step).goodput_bps;
        const double half_width =
            (range.high - range.low) / 2 / range_middle(range);

        if (half_width > 0.03)
            fail_msg("%.0f bit/s: the range is %.1f %% wide to each side",
                     rate_bps, 100 * half_width);
        for (size_t sender = 0; sender < 2; sender++) {
            assert_within(flow_over_air_bps(rate_bps, sender, 1, 52), range,
                          "each segment acknowledged, with timestamps");
            /* Segments may be too far apart for an acknowledgement of two. */
            if (8 * 1575 / rate_bps < 0.5)
                assert_within(flow_over_air_bps(rate_bps, sender, 2, 40), range,
                              "every second acknowledged, no timestamps");
        }
    }
}

struct echo {
    uint64_t over_ns;
};

static void on_echo_fate(void *owner, const struct air_packet *packet,
                         enum air_fate fate)
{
    struct echo *echo = owner;

    assert_int_equal(fate, FATE_DELIVERED);
    echo->over_ns = packet->over_ns;
}

static uint64_t deliver_one(struct air *air, struct echo *echo, uint64_t now_ns,
                            size_t from, size_t to)
{
    echo->over_ns = 0;
    air_enqueue(air, now_ns, from, to, 84, NULL);
    while (!echo->over_ns)
        air_advance(air, air_next_ns(air));
    return echo->over_ns;
}

static void an_idle_echo_over_the_air_takes_what_is_expected(void **state)
{
    const struct plan_link link = scheduled_link();
    const struct plan_step step = step_of(80e3);
    const struct expectation expectation = expect(&link, &step);

    (void) state;
    for (size_t prober = 0; prober < 2; prober++) {
        const struct air_config config = {
            .end_count = 2,
            .step_bps = { 60000 },
            .step_count = 1,
            .slot_overhead_ns = 12 * NS_PER_MS,
            .slot_least_ns = AIR_NEVER,
            .slot_limit_ns = 250 * NS_PER_MS,
            .frame_payload_bytes = 240,
            .frame_overhead_bytes = 12,
            .queue_bytes = 16000,
        };
        struct echo echo = { 0 };
        const struct air_listener listener = { .on_fate = on_echo_fate,
                                               .owner = &echo };
        struct air *air = air_new(&config, &listener, 0);
        double sum_ns = 0;
        double least_ns = (double) INFINITY;
        const uint64_t probes = 2400;

        for (uint64_t i = 0; i < probes; i++) {
            /* All phases of the 24 ms cycle alike: 0.01 ms apart. */
            const uint64_t start_ns =
                (i + 1) * 240 * NS_PER_MS + i * 10 * NS_PER_US;

            while (air_next_ns(air) < start_ns)
                air_advance(air, air_next_ns(air));
            air_advance(air, start_ns);
            /* Phases count from the cycle as it is now. */
            const uint64_t there_ns =
                deliver_one(air, &echo, start_ns, prober, 1 - prober);
            const uint64_t back_ns =
                deliver_one(air, &echo, there_ns, 1 - prober, prober);
            const double rtt_ns = (double) (back_ns - start_ns);

            sum_ns += rtt_ns;
            least_ns = rtt_ns < least_ns ? rtt_ns : least_ns;
        }
        air_free(air);
        const double mean_ns = sum_ns / (double) probes;
        const double expected_ns = range_middle(expectation.mean_rtt_ns);

        if (fabs(mean_ns - expected_ns) > 0.05 * expected_ns)
            fail_msg("mean %.0f ns, expected %.0f", mean_ns, expected_ns);
        assert_true(least_ns >= expectation.least_rtt_ns.low - 1000);
        assert_true(least_ns < expectation.least_rtt_ns.high + 1e6);
    }
    assert_true(expectation.idle_cycle_ns.low == 24e6);
}

/* --- by hand ------------------------------------------------------------- */

static void a_round_trip_is_a_wait_two_frames_and_a_turn(void **state)
{
    const struct plan_link link = scheduled_link();
    const struct plan_step step = step_of(80e3);
    const struct expectation expectation = expect(&link, &step);
    /* 96 bytes at 60 kbit/s are 12.8 ms */
    const double least_ns = 12e6 + 2 * 12.8e6;

    (void) state;
    assert_true(fabs(expectation.least_rtt_ns.low - least_ns) < 1);
    assert_true(fabs(expectation.mean_rtt_ns.low - least_ns - 12e6) < 1);
    assert_string_equal(expectation.source, "computed");
    assert_true(expectation.channel_bps.low == 60000);
}

/* Idle turns of 4 ms: what comes within the last 8 of an overhead's 12 ms comes
 * too late for that turn, so a packet waits for 8 ms at the least. */
static void
an_idle_turn_shorter_than_the_overhead_is_settled_early(void **state)
{
    struct plan_link link = scheduled_link();
    const struct plan_step step = step_of(80e3);
    const double least_ns = 8e6 + 12.8e6 + 12e6 + 12.8e6;

    (void) state;
    link.slot_least_ns = exactly(4e6);
    const struct expectation expectation = expect(&link, &step);

    assert_true(fabs(expectation.least_rtt_ns.low - least_ns) < 1);
    assert_true(fabs(expectation.mean_rtt_ns.low - least_ns - 4e6) < 1);
    link.slots = SLOTS_FIXED;
    const struct expectation fixed = expect(&link, &step);

    assert_true(fabs(fixed.least_rtt_ns.low - 250e6 - 12.8e6) < 1);
}

static void a_loaded_cycle_is_a_full_slot_and_a_short_answer(void **state)
{
    const struct plan_link link = scheduled_link();
    const struct plan_step step = step_of(80e3);
    const struct range cycle_ns = expect(&link, &step).cycle_ns;

    (void) state;
    /* 250 ms, 12 ms, and 0.6 to 1.2 acknowledgements of 52 to 64 bytes */
    assert_within(250e6 + 12e6 + 1.126 * 64 * 8 / 60e3 * 1e9, cycle_ns,
                  "cycle");
    assert_true(cycle_ns.low > 260e6 && cycle_ns.high < 275e6);
}

static void each_idle_station_costs_an_overhead(void **state)
{
    struct plan plan = { .link = scheduled_link(), .end_count = 5 };
    const struct plan_step step = step_of(80e3);
    struct expectation one;
    struct expectation four;

    (void) state;
    for (size_t i = 1; i < plan.end_count; i++)
        plan.ends[i].role = ROLE_STATION;
    capacity_expect(&plan.link, &step, &one);
    capacity_expect_of(&plan, &step, &four);
    assert_true(fabs(four.idle_cycle_ns.low - 60e6) < 1);
    assert_true(fabs(four.cycle_ns.low - one.cycle_ns.low - 36e6) < 1);
    assert_true(four.goodput_bps.high < one.goodput_bps.high);
    /* Content a cycle stays the same: the ratio is that of the cycles. */
    assert_true(fabs(one.goodput_bps.low / four.goodput_bps.low
                     - four.cycle_ns.high / one.cycle_ns.high)
                < 1e-3);
}

static void ipv6_headers_cost_what_they_cost(void **state)
{
    struct plan plan = { .link = scheduled_link(), .end_count = 2 };
    const struct plan_step step = step_of(80e3);
    struct expectation four;
    struct expectation six;

    (void) state;
    plan.ends[1].role = ROLE_STATION;
    (void) strcpy(plan.ends[1].address, "192.0.2.7");
    capacity_expect_of(&plan, &step, &four);
    (void) strcpy(plan.ends[1].address, "2001:db8::7");
    capacity_expect_of(&plan, &step, &six);
    assert_true(six.goodput_bps.high < 0.988 * four.goodput_bps.high);
    assert_true(six.goodput_bps.high > 0.980 * four.goodput_bps.high);
}

static void
a_published_rate_gets_ten_percent_unless_a_range_is_typed(void **state)
{
    const struct plan_link link = scheduled_link();
    struct plan_step step = published_step(100e3, 100e3, RATE_ONE_WAY);
    struct expectation expectation = expect(&link, &step);

    (void) state;
    assert_string_equal(expectation.source, "published");
    assert_true(expectation.ip_bps.low == 90e3);
    assert_true(fabs(expectation.ip_bps.high - 110e3) < 1e-6);
    assert_true(expectation.goodput_bps.high < 110e3);
    assert_true(isnan(expectation.channel_bps.low));
    step = published_step(95e3, 100e3, RATE_ONE_WAY);
    expectation = expect(&link, &step);
    assert_true(expectation.ip_bps.low == 95e3);
    assert_true(expectation.ip_bps.high == 100e3);
}

static void a_published_rate_of_unknown_scope_may_be_half_as_much(void **state)
{
    struct plan_link link = scheduled_link();
    const struct plan_step unstated =
        published_step(100e3, 100e3, RATE_UNSTATED);
    const struct plan_step both = published_step(100e3, 100e3, RATE_BOTH_WAYS);
    const struct plan_step one = published_step(100e3, 100e3, RATE_ONE_WAY);
    const struct expectation wide = expect(&link, &unstated);

    (void) state;
    assert_true(wide.ip_bps.low == 45e3);
    assert_non_null(strstr(wide.why, "usable_rate_is"));
    assert_contains(wide.goodput_bps, expect(&link, &one).goodput_bps, "one");
    assert_contains(wide.goodput_bps, expect(&link, &both).goodput_bps, "both");
    link.access = ACCESS_FULL_DUPLEX;
    assert_true(expect(&link, &both).ip_bps.high < 56e3);
}

static void what_cannot_be_said_stays_unsaid_and_says_why(void **state)
{
    struct plan_link link = scheduled_link();
    struct plan_step step = step_of(80e3);
    struct expectation expectation;

    (void) state;
    step.levels = 0;
    expectation = expect(&link, &step);
    assert_true(isnan(expectation.goodput_bps.low));
    assert_string_equal(expectation.source, "");
    assert_non_null(strstr(expectation.why, "levels"));

    step = step_of(80e3);
    link.slot_limit_ns = exactly(12e6);
    expectation = expect(&link, &step);
    assert_true(isnan(expectation.goodput_bps.low));
    assert_non_null(strstr(expectation.why, "slot_limit"));

    link = scheduled_link();
    link.mtu_bytes = 68;
    assert_true(isnan(expect(&link, &step).goodput_bps.low) == false);
    struct plan plan = { .link = link, .end_count = 1 };

    (void) strcpy(plan.ends[0].address, "2001:db8::1");
    capacity_expect_of(&plan, &step, &expectation);
    assert_true(isnan(expectation.goodput_bps.low));
    assert_non_null(strstr(expectation.why, "mtu"));
}

static void no_slot_limit_and_contention_give_wide_ranges(void **state)
{
    struct plan_link link = scheduled_link();
    const struct plan_step step = step_of(80e3);
    const struct range limited = expect(&link, &step).goodput_bps;

    (void) state;
    link.slot_limit_ns = range_unsaid();
    const struct expectation unlimited = expect(&link, &step);

    /* Longer turns can only carry more. */
    assert_true(unlimited.goodput_bps.low > limited.low);
    assert_true(unlimited.goodput_bps.high > limited.high);
    assert_true(isnan(unlimited.cycle_ns.low));
    assert_non_null(strstr(unlimited.why, "slot_limit"));
    link.access = ACCESS_CONTENTION;
    link.carrier_sense = true;
    const struct expectation contention = expect(&link, &step);

    assert_contains(contention.goodput_bps, limited, "contention");
    assert_non_null(strstr(contention.why, "contention"));
}

/* --- properties ---------------------------------------------------------- */

static struct draw random_numbers = { 20310314 };

static double between(double low, double high)
{
    return low + (high - low) * draw_unit(&random_numbers);
}

static struct plan_link random_link(void)
{
    struct plan_link link = scheduled_link();
    static const int accesses[] = { ACCESS_SCHEDULED, ACCESS_ALTERNATING,
                                    ACCESS_CONTENTION, ACCESS_FULL_DUPLEX };

    link.access = accesses[(size_t) between(0, 4)];
    link.slot_overhead_ns = exactly(between(0, 60e6));
    link.slot_limit_ns = exactly(between(70e6, 2e9));
    if (between(0, 1) < 0.2)
        link.slot_limit_ns = range_unsaid();
    link.frame_payload_bytes =
        between(0, 1) < 0.2 ? 0 : (uint64_t) between(32, 2000);
    link.frame_overhead_bytes = (uint64_t) between(0, 40);
    link.mtu_bytes = (uint64_t) between(200, 1500);
    return link;
}

static struct range widened(struct range range)
{
    return (struct range){ range.low * between(0.7, 1),
                           range.high * between(1, 1.3) };
}

static bool is_not_lower(struct range range, struct range than)
{
    return range.low >= than.low * (1 - 1e-12)
           && range.high >= than.high * (1 - 1e-12);
}

static bool is_not_narrower(struct range range, struct range than)
{
    return range.low <= than.low * (1 + 1e-12)
           && range.high >= than.high * (1 - 1e-12);
}

static void assert_sound(const struct expectation *expectation)
{
    const struct range ranges[] = {
        expectation->ip_bps,      expectation->goodput_bps,
        expectation->cycle_ns,    expectation->idle_cycle_ns,
        expectation->mean_rtt_ns, expectation->least_rtt_ns,
    };

    for (size_t i = 0; i < COUNT_OF(ranges); i++) {
        if (range_is_said(ranges[i])
            && !(ranges[i].low >= 0 && ranges[i].low <= ranges[i].high))
            fail_msg("range %zu is %.17g to %.17g", i, ranges[i].low,
                     ranges[i].high);
    }
    if (range_is_said(expectation->goodput_bps)) {
        assert_true(expectation->goodput_bps.low <= expectation->ip_bps.low);
        assert_true(expectation->goodput_bps.high < expectation->ip_bps.high);
        assert_true(expectation->ip_bps.high
                    <= expectation->channel_bps.high * (1 + 1e-12));
    }
}

static void
more_bandwidth_never_lowers_and_more_overhead_never_raises(void **state)
{
    (void) state;
    for (int i = 0; i < 6000; i++) {
        const struct plan_link link = random_link();
        const struct plan_step step = step_of(between(10e3, 1e6));
        const struct expectation before = expect(&link, &step);
        const struct plan_step faster =
            step_of(step.symbol_rate_bd.low * between(1, 1.2));
        struct plan_link heavier = link;

        assert_sound(&before);
        if (!range_is_said(before.goodput_bps))
            continue;
        assert_true(is_not_lower(expect(&link, &faster).goodput_bps,
                                 before.goodput_bps));
        heavier.slot_overhead_ns =
            exactly(link.slot_overhead_ns.low + between(0, 5e6));
        const struct expectation slower = expect(&heavier, &step);

        if (range_is_said(slower.goodput_bps))
            assert_true(is_not_lower(before.goodput_bps, slower.goodput_bps));
        heavier = link;
        heavier.frame_overhead_bytes += 3;
        const struct expectation fatter = expect(&heavier, &step);

        if (range_is_said(fatter.goodput_bps))
            assert_true(is_not_lower(before.goodput_bps, fatter.goodput_bps));
    }
}

static void wider_inputs_never_narrow_the_range(void **state)
{
    (void) state;
    for (int i = 0; i < 6000; i++) {
        struct plan_link link = random_link();
        struct plan_step step = step_of(between(10e3, 1e6));
        const struct expectation before = expect(&link, &step);

        link.slot_overhead_ns = widened(link.slot_overhead_ns);
        if (range_is_said(link.slot_limit_ns))
            link.slot_limit_ns = widened(link.slot_limit_ns);
        step.symbol_rate_bd = widened(step.symbol_rate_bd);
        const struct expectation after = expect(&link, &step);

        assert_sound(&after);
        if (!range_is_said(after.goodput_bps))
            continue;
        assert_true(is_not_narrower(after.goodput_bps, before.goodput_bps));
        assert_true(is_not_narrower(after.ip_bps, before.ip_bps));
        if (range_is_said(after.cycle_ns))
            assert_true(is_not_narrower(after.cycle_ns, before.cycle_ns));
        if (range_is_said(after.mean_rtt_ns))
            assert_true(is_not_narrower(after.mean_rtt_ns, before.mean_rtt_ns));
    }
}

static void a_range_holds_what_any_value_in_it_would_give(void **state)
{
    (void) state;
    for (int i = 0; i < 6000; i++) {
        struct plan_link link = random_link();
        struct plan_step step = step_of(between(10e3, 1e6));

        link.slot_overhead_ns = widened(link.slot_overhead_ns);
        step.symbol_rate_bd = widened(step.symbol_rate_bd);
        const struct expectation wide = expect(&link, &step);

        link.slot_overhead_ns = exactly(
            between(link.slot_overhead_ns.low, link.slot_overhead_ns.high));
        step.symbol_rate_bd =
            exactly(between(step.symbol_rate_bd.low, step.symbol_rate_bd.high));
        const struct expectation one = expect(&link, &step);

        if (range_is_said(wide.goodput_bps))
            assert_true(is_not_narrower(wide.goodput_bps, one.goodput_bps));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_air_carries_what_is_expected_within_a_tight_range),
        cmocka_unit_test(an_idle_echo_over_the_air_takes_what_is_expected),
        cmocka_unit_test(a_round_trip_is_a_wait_two_frames_and_a_turn),
        cmocka_unit_test(
            an_idle_turn_shorter_than_the_overhead_is_settled_early),
        cmocka_unit_test(a_loaded_cycle_is_a_full_slot_and_a_short_answer),
        cmocka_unit_test(each_idle_station_costs_an_overhead),
        cmocka_unit_test(ipv6_headers_cost_what_they_cost),
        cmocka_unit_test(
            a_published_rate_gets_ten_percent_unless_a_range_is_typed),
        cmocka_unit_test(a_published_rate_of_unknown_scope_may_be_half_as_much),
        cmocka_unit_test(what_cannot_be_said_stays_unsaid_and_says_why),
        cmocka_unit_test(no_slot_limit_and_contention_give_wide_ranges),
        cmocka_unit_test(
            more_bandwidth_never_lowers_and_more_overhead_never_raises),
        cmocka_unit_test(wider_inputs_never_narrow_the_range),
        cmocka_unit_test(a_range_holds_what_any_value_in_it_would_give),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
