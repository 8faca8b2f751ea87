/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * What holds of every expectation, over many plans drawn from a seed: all kinds
 * of access, fixed and adaptive slots, further stations, small and large
 * packets and windows, losses, computed and published steps.
 */
#include "reports/capacity.h"

#include <bothends/draw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define CASES 2000

static struct draw random_numbers;

static double between(double low, double high)
{
    return low + (high - low) * draw_unit(&random_numbers);
}

static bool one_in(double count)
{
    return between(0, count) < 1;
}

static size_t any_of(size_t count)
{
    return (size_t) between(0, (double) count) % count;
}

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

static struct range about(double value)
{
    return one_in(2) ? exactly(value)
                     : (struct range){ value * between(0.8, 1),
                                       value * between(1, 1.2) };
}

struct drawn {
    struct plan plan;
    struct situation situation;
};

static void draw_link(struct plan_link *link)
{
    static const double mtus[] = { 296, 576, 1006, 1280, 1500 };

    *link = (struct plan_link){
        .access = (int) any_of(4),
        .slots = (int) any_of(2),
        .slot_overhead_ns = about(between(1e6, 40e6)),
        .slot_limit_ns = about(between(200e6, 2e9)),
        .slot_least_ns = one_in(2) ? range_unsaid() : about(between(1e6, 40e6)),
        .frame_payload_bytes = one_in(4) ? 0 : 32 + any_of(1000),
        .stations_count = 1 + any_of(8),
        .repeats_limit_count = any_of(4),
        .carrier_sense = !one_in(4),
        .contention_slotted = one_in(2),
        .contention_slot_ns = 1000000 + any_of(20000000),
        .contention_window_count = 1 + any_of(32),
        .contention_window_most_count = 64,
        .mtu_bytes = (uint64_t) mtus[any_of(COUNT_OF(mtus))],
        .window_bytes = one_in(3) ? 1500 + any_of(64000) : 0,
        .distance_m = one_in(2) ? (double) NAN : between(0, 200e3),
    };
    if (link->frame_payload_bytes)
        link->frame_overhead_bytes = any_of(30);
    if (link->access == ACCESS_ALTERNATING)
        link->stations_count = 1;
    if (one_in(6))
        link->slot_limit_ns = range_unsaid();
}

static void draw_step(struct plan_step *step)
{
    *step = (struct plan_step){
        .symbol_rate_bd = about(between(20e3, 500e3)),
        .levels = UINT64_C(2) << any_of(3),
        .code_rate_ratio = between(0.4, 1),
        .usable_rate_bps = range_unsaid(),
    };
    if (!one_in(5))
        return;
    step->usable_rate_bps = about(between(10e3, 500e3));
    step->usable_rate_is = (int) any_of(3);
    step->symbol_rate_bd = range_unsaid();
}

static void draw_situation(struct situation *situation)
{
    *situation = (struct situation){
        .has_timestamps = (int) any_of(3),
        .has_framing = (int) any_of(3),
        .is_ipv6 = (int) any_of(3),
    };
    if (one_in(4))
        situation->loss_ratio =
            (struct range){ between(0.0005, 0.01), between(0.01, 0.05) };
    if (one_in(4))
        situation->frame_loss_ratio = between(0, 0.3);
}

/* The hub is end 0. */
static struct drawn draw_plan(void)
{
    struct drawn drawn = { .plan = { .step_count = 1 } };

    draw_link(&drawn.plan.link);
    draw_step(&drawn.plan.steps[0]);
    draw_situation(&drawn.situation);
    drawn.plan.end_count = 1 + drawn.plan.link.stations_count;
    for (size_t i = 1; i < drawn.plan.end_count; i++)
        drawn.plan.ends[i].role = ROLE_STATION;
    return drawn;
}

static struct expectation expect(const struct drawn *drawn)
{
    struct expectation expectation;

    capacity_expect_when(&drawn->plan, &drawn->plan.steps[0], &drawn->situation,
                         &expectation);
    return expectation;
}

static void fail_at(const struct drawn *drawn, int number, const char *what,
                    struct range before, struct range after)
{
    const struct plan_link *link = &drawn->plan.link;

    fail_msg("case %d (%s, %s, %d stations, back-off %d of %d ms, %d repeats, "
             "frames of %d + %d B, MTU %d, window %d): %s: %.9g..%.9g, then "
             "%.9g..%.9g",
             number, link_accesses[link->access], link_slots_words[link->slots],
             (int) link->stations_count, (int) link->contention_window_count,
             (int) (link->contention_slot_ns / 1000000),
             (int) link->repeats_limit_count, (int) link->frame_payload_bytes,
             (int) link->frame_overhead_bytes, (int) link->mtu_bytes,
             (int) link->window_bytes, what, before.low, before.high, after.low,
             after.high);
}

/* An idle turn may last longer than a busy one's overhead: then a way with
 * acknowledgements on the way back is faster than one with none. */
static bool idles_longer(const struct plan_link *link)
{
    return link->slot_least_ns.high > link->slot_overhead_ns.low;
}

static bool is_not_lower(struct range range, struct range than)
{
    return range.low >= than.low * (1 - 1e-9)
           && range.high >= than.high * (1 - 1e-9);
}

static bool is_not_narrower(struct range range, struct range than)
{
    return range.low <= than.low * (1 + 1e-9)
           && range.high >= than.high * (1 - 1e-9);
}

/* Both ways, where both expectations say something. */
static void compare(const struct drawn *drawn, int number, const char *what,
                    const struct expectation *before,
                    const struct expectation *after,
                    bool (*holds)(struct range range, struct range than))
{
    for (int way = 0; way < WAY_COUNT; way++) {
        for (int layer = LAYER_IP; layer < LAYER_COUNT; layer++) {
            const struct range was = before->ways[way].layers_bps[layer];
            const struct range is = after->ways[way].layers_bps[layer];

            if (range_is_said(was) && range_is_said(is) && !holds(is, was))
                fail_at(drawn, number, what, was, is);
        }
    }
}

/* --- the layers ---------------------------------------------------------- */

static void each_layer_carries_less_than_the_one_below(void **state)
{
    (void) state;
    random_numbers.state = 1;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation expectation = expect(&drawn);

        for (int way = 0; way < WAY_COUNT && !idles_longer(&drawn.plan.link);
             way++) {
            const struct carried *carried = &expectation.ways[way];

            for (int layer = 1; layer < LAYER_COUNT; layer++) {
                const struct range upper = carried->layers_bps[layer];
                const struct range lower = carried->layers_bps[layer - 1];

                if (range_is_said(upper) && range_is_said(lower)
                    && !is_not_lower(lower, upper))
                    fail_at(&drawn, i, capacity_layers[layer], lower, upper);
                if (carried->likely_bps[layer]
                    > carried->likely_bps[layer - 1] * (1 + 1e-9))
                    fail_at(&drawn, i, "likely",
                            exactly(carried->likely_bps[layer - 1]),
                            exactly(carried->likely_bps[layer]));
            }
        }
    }
}

static void ranges_are_upright_and_hold_their_likely_value(void **state)
{
    (void) state;
    random_numbers.state = 2;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation expectation = expect(&drawn);

        for (int way = 0; way < WAY_COUNT; way++) {
            const struct carried *carried = &expectation.ways[way];

            for (int layer = 0; layer < LAYER_COUNT; layer++) {
                const struct range range = carried->layers_bps[layer];
                const double likely = carried->likely_bps[layer];

                if (range_is_said(range)
                    && !(range.low > 0
                         && range.low <= range.high * (1 + 1e-12)))
                    fail_at(&drawn, i, "upside down", range, range);
                if (range_is_said(range) && !isnan(likely)
                    && !(likely >= range.low * (1 - 1e-9)
                         && likely <= range.high * (1 + 1e-9)))
                    fail_at(&drawn, i, capacity_layers[layer], range,
                            exactly(likely));
            }
        }
    }
}

static void what_is_unsaid_has_a_reason(void **state)
{
    (void) state;
    random_numbers.state = 3;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation expectation = expect(&drawn);
        const bool is_said = range_is_said(expectation.goodput_bps);

        assert_true(is_said == (expectation.source[0] != '\0'));
        assert_true(is_said || expectation.why[0]);
    }
}

/* --- more and less ------------------------------------------------------- */

static void more_bandwidth_never_lowers_it(void **state)
{
    (void) state;
    random_numbers.state = 4;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation before = expect(&drawn);
        struct drawn faster = drawn;
        struct plan_step *step = &faster.plan.steps[0];
        const double factor = between(1, 2);

        step->symbol_rate_bd.low *= factor;
        step->symbol_rate_bd.high *= factor;
        step->usable_rate_bps.low *= factor;
        step->usable_rate_bps.high *= factor;
        const struct expectation after = expect(&faster);

        compare(&drawn, i, "faster", &before, &after, is_not_lower);
        faster = drawn;
        faster.plan.steps[0].code_rate_ratio =
            fmin(1, drawn.plan.steps[0].code_rate_ratio * factor);
        const struct expectation denser = expect(&faster);

        compare(&drawn, i, "less code", &before, &denser, is_not_lower);
    }
}

static void add_overhead(struct drawn *heavier, int which)
{
    struct plan_link *link = &heavier->plan.link;
    const double more_ns = between(0, 5e6);

    switch (which) {
    case 0:
        link->slot_overhead_ns.low += more_ns;
        link->slot_overhead_ns.high += more_ns;
        break;
    case 1:
        link->frame_overhead_bytes +=
            link->frame_payload_bytes ? 1 + any_of(8) : 0;
        break;
    case 2:
        if (range_is_said(link->slot_least_ns)) {
            link->slot_least_ns.low += more_ns;
            link->slot_least_ns.high += more_ns;
        }
        break;
    case 3:
        /* (A second one makes turns of what was free, with full duplex: where
         * idle turns are short, an echo's least is shorter.) */
        if (link->access != ACCESS_ALTERNATING
            && !(link->access == ACCESS_FULL_DUPLEX
                 && link->stations_count == 1))
            link->stations_count++;
        break;
    default:
        heavier->situation.frame_loss_ratio += between(0, 0.1);
        break;
    }
}

static void more_overhead_never_raises_it(void **state)
{
    static const char *const names[] = { "slot overhead", "frame overhead",
                                         "least slot", "another station",
                                         "lost frames" };

    (void) state;
    random_numbers.state = 5;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation before = expect(&drawn);

        for (int which = 0; which < (int) COUNT_OF(names); which++) {
            struct drawn heavier = drawn;

            add_overhead(&heavier, which);
            const struct expectation after = expect(&heavier);

            compare(&drawn, i, names[which], &after, &before, is_not_lower);
        }
    }
}

static void
a_larger_window_never_lowers_it_and_more_losses_never_raise_it(void **state)
{
    (void) state;
    random_numbers.state = 6;
    for (int i = 0; i < CASES; i++) {
        struct drawn drawn = draw_plan();

        drawn.plan.link.window_bytes = 1500 + any_of(32000);
        drawn.situation.loss_ratio = (struct range){ 0, 0 };
        const struct expectation before = expect(&drawn);
        struct drawn other = drawn;

        other.plan.link.window_bytes += any_of(32000);
        const struct expectation wide = expect(&other);

        compare(&drawn, i, "window", &before, &wide, is_not_lower);
        other = drawn;
        other.situation.loss_ratio = exactly(between(0.001, 0.02));
        const struct expectation lossy = expect(&other);

        compare(&drawn, i, "losses", &lossy, &before, is_not_lower);
        other.situation.loss_ratio =
            exactly(other.situation.loss_ratio.low * between(1, 2));
        const struct expectation lossier = expect(&other);

        compare(&drawn, i, "more losses", &lossier, &lossy, is_not_lower);
    }
}

/* --- wider --------------------------------------------------------------- */

static struct range widened(struct range range)
{
    return (struct range){ range.low * between(0.85, 1),
                           range.high * between(1, 1.15) };
}

static void wider_inputs_never_narrow_it(void **state)
{
    (void) state;
    random_numbers.state = 7;
    for (int i = 0; i < CASES; i++) {
        const struct drawn drawn = draw_plan();
        const struct expectation before = expect(&drawn);
        struct drawn wider = drawn;
        struct plan_link *link = &wider.plan.link;
        struct plan_step *step = &wider.plan.steps[0];
        struct range *const inputs[] = {
            &link->slot_overhead_ns, &link->slot_limit_ns,
            &link->slot_least_ns,    &step->symbol_rate_bd,
            &step->usable_rate_bps,  &wider.situation.loss_ratio,
        };

        /* The maker's figure alone stands for +-10 %; a typed range for what
         * it says. */
        for (size_t j = 0; j < COUNT_OF(inputs); j++) {
            if (inputs[j] != &step->usable_rate_bps
                || inputs[j]->low < inputs[j]->high)
                *inputs[j] = widened(*inputs[j]);
        }
        const struct expectation after = expect(&wider);

        compare(&drawn, i, "wider", &before, &after, is_not_narrower);
    }
}

/* --- shares -------------------------------------------------------------- */

static void shares_never_sum_to_more_than_the_whole(void **state)
{
    (void) state;
    random_numbers.state = 8;
    for (int i = 0; i < CASES; i++) {
        struct drawn drawn = draw_plan();
        struct capacity_demand demands[8];
        struct capacity_share shares[8];
        const size_t count = 1 + any_of(drawn.plan.link.stations_count);
        const double channels =
            drawn.plan.link.access == ACCESS_FULL_DUPLEX ? 2 : 1;
        double sum_bps = 0, airtime_ratio = 0;

        drawn.situation.loss_ratio = (struct range){ 0, 0 };
        for (size_t j = 0; j < count; j++) {
            demands[j] = one_in(2) ? (struct capacity_demand){ j + 1, 0, 0, 0 }
                                   : (struct capacity_demand){ 0, j + 1, 0, 0 };
            demands[j].traffic = one_in(3) ? TRAFFIC_UDP : TRAFFIC_TCP;
        }
        capacity_shares(&drawn.plan, &drawn.plan.steps[0], &drawn.situation,
                        demands, count, shares);
        const struct expectation whole = expect(&drawn);

        for (size_t j = 0; j < count; j++) {
            if (isnan(shares[j].likely_bps))
                continue;
            assert_true(shares[j].likely_bps >= 0);
            sum_bps += shares[j].likely_bps;
            airtime_ratio += shares[j].airtime_ratio;
        }
        if (sum_bps > channels * whole.channel_bps.high * (1 + 1e-9))
            fail_at(&drawn, i, "shares", whole.channel_bps, exactly(sum_bps));
        if (airtime_ratio > channels * (1 + 1e-9))
            fail_at(&drawn, i, "airtime", exactly(channels),
                    exactly(airtime_ratio));
    }
}

/* Max-min: all of it, unless all have what they want; and who gets less than
 * he wants gets no less than anybody else. */
static void fair_shares_sum_to_the_whole(void **state)
{
    (void) state;
    random_numbers.state = 9;
    for (int i = 0; i < CASES; i++) {
        const size_t count = 1 + any_of(8);
        double wanted[8], cost[8], shares[8], sum = 0, all = 0, most = 0;

        for (size_t j = 0; j < count; j++) {
            wanted[j] = one_in(4) ? (double) INFINITY : between(0, 10);
            cost[j] = between(0.1, 3);
            all += wanted[j] * cost[j];
        }
        const double whole = between(0.1, 30);

        capacity_max_min(whole, wanted, cost, count, shares);
        for (size_t j = 0; j < count; j++) {
            sum += shares[j] * cost[j];
            most = fmax(most, shares[j]);
            assert_true(shares[j] <= wanted[j] * (1 + 1e-12));
        }
        assert_true(fabs(sum - fmin(whole, all)) <= 1e-9 * whole);
        for (size_t j = 0; j < count; j++) {
            if (shares[j] < wanted[j] * (1 - 1e-9))
                assert_true(shares[j] >= most * (1 - 1e-9));
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_layer_carries_less_than_the_one_below),
        cmocka_unit_test(ranges_are_upright_and_hold_their_likely_value),
        cmocka_unit_test(what_is_unsaid_has_a_reason),
        cmocka_unit_test(more_bandwidth_never_lowers_it),
        cmocka_unit_test(more_overhead_never_raises_it),
        cmocka_unit_test(
            a_larger_window_never_lowers_it_and_more_losses_never_raise_it),
        cmocka_unit_test(wider_inputs_never_narrow_it),
        cmocka_unit_test(shares_never_sum_to_more_than_the_whole),
        cmocka_unit_test(fair_shares_sum_to_the_whole),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
