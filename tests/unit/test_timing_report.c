/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_says.h"
#include "tests/support/made_timing.h"
#include "tests/support/reduced_run.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

/*
 * Made exchanges from quay to mill, whose truth is known, by clocks an hour
 * apart.  On calm 152 B of the channel for a probe take 25.3 ms, and the
 * answer's turn begins with 12 ms more.
 */
#define HOUR_NS   (3600 * NS_PER_S)
#define THERE_MS  40
#define BACK_MS   60
#define SPREAD_MS 100

static const struct timing_spec spec = { .count = 600,
                                         .gap_ns = { SPREAD_FIXED, 1e9, 1e9,
                                                     1e9 },
                                         .size_bytes = 112,
                                         .wait_ns = 5 * NS_PER_S };

static struct made_timing plain(void)
{
    return (struct made_timing){
        .count = 600,
        .gap_ns = NS_PER_S,
        .there = { .least_ns = THERE_MS * NS_PER_MS,
                   .spread_ns = SPREAD_MS * NS_PER_MS },
        .back = { .least_ns = BACK_MS * NS_PER_MS,
                  .spread_ns = 20 * NS_PER_MS },
        .offset_ns = (int64_t) HOUR_NS,
        .seed = 5,
    };
}

static void add(struct reduced_run *run, uint64_t round,
                const struct made_timing *timing)
{
    struct exchange_account sender, reflector;

    made_timing(timing, &sender, &reflector);
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = round,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, &reflector);
}

static const struct finding *find(const struct reduced_run *run,
                                  const char *measure, const char *from)
{
    return reduced_run_find(
        run, &(struct reduced_wanted){ measure, "calm", from, 1 });
}

static void assert_near(double value, double expected, double off)
{
    if (!(fabs(value - expected) <= off))
        fail_msg("found %g, expected %g within %g", value, expected, off);
}

static void assert_holds(const struct finding *finding, double truth)
{
    if (!(finding->low <= truth && truth <= finding->high))
        fail_msg("%s: %g is not within %g to %g", finding->measure, truth,
                 finding->low, finding->high);
}

/* --- delays --------------------------------------------------------------- */

static void each_way_waits_as_it_did_whatever_the_clocks_say(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();

    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_near(find(run, "delay_variation_p50", "quay")->value, 0.050, 0.006);
    assert_near(find(run, "delay_variation_p90", "quay")->value, 0.090, 0.004);
    assert_near(find(run, "delay_variation_p50", "mill")->value, 0.010, 0.0015);
    assert_int_equal(find(run, "delay_variation_p50", "mill")->samples_count,
                     600);
    assert_near(find(run, "rtt_stamped_p50", "quay")->value, 0.160, 0.008);
    assert_near(find(run, "rtt_stamped_least", "quay")->value, 0.105, 0.006);
}

/* 100 ms there and back, of which 25.3 either way is the packet's own airtime:
 * the rest is anybody's, and the middle is given with half of it to either
 * side. */
static void the_delay_one_way_is_a_range_that_holds_the_truth(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();

    add(run, 1, &timing);
    reduced_run_reduce(run);
    const struct finding *there = find(run, "one_way_least", "quay");
    const struct finding *back = find(run, "one_way_least", "mill");

    assert_holds(there, THERE_MS * 1e-3);
    assert_holds(back, BACK_MS * 1e-3);
    assert_near(there->low, 0.0253, 0.0002);
    assert_near(back->low, 0.0253, 0.0002);
    assert_near(there->high - there->low, back->high - back->low, 1e-9);
    /* What the sample's quickest lack, and what the clocks may have drifted. */
    assert_near(there->high, 0.100 - 0.0253, 0.008);
    assert_near(there->expected_low, 0.0253, 0.0002);
    /* What the far end held it for may be all of the 12 ms. */
    assert_near(back->expected_low, 0.0253, 0.0002);
    assert_near(back->expected_high, 0.0373, 0.0002);
    assert_holds(find(run, "one_way_p50", "quay"), 0.090);
    assert_holds(find(run, "one_way_p50", "mill"), 0.070);
    assert_near(find(run, "one_way_p50", "quay")->value
                    + find(run, "one_way_p50", "mill")->value,
                0.160, 0.01);
}

static void a_drift_of_40_ppm_is_seen_and_taken_off(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.skew_ratio = 40e-6; /* 24 ms over the ten minutes */
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_near(find(run, "delay_variation_p90", "mill")->value, 0.018, 0.001);
    assert_near(find(run, "delay_variation_p50", "quay")->value, 0.050, 0.006);
    assert_true(
        reduced_run_says(&run->reduction.methods, "the clock of mill ran 4"));
    assert_true(reduced_run_says(&run->reduction.methods, "ppm faster than"));
}

static void a_clock_that_jumps_takes_the_delays_away_and_no_more(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.jump_ns = 2 * (int64_t) NS_PER_S;
    timing.there.loses_every = 10;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_true(isnan(find(run, "one_way_p50", "quay")->value));
    assert_true(isnan(find(run, "delay_variation_p50", "quay")->value));
    assert_near(find(run, "one_way_loss", "quay")->value, 0.1, 1e-9);
    assert_near(find(run, "rtt_stamped_p50", "quay")->value, 0.170, 0.02);
    assert_true(
        reduced_run_says(&run->reduction.doubts, "a clock was set or stood"));
}

static void a_sleep_takes_the_delays_away_too(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();
    struct exchange_account sender, reflector;

    made_timing(&timing, &sender, &reflector);
    sender.suspended_ns = NS_PER_S / 50;
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 1,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, &reflector);
    reduced_run_reduce(run);
    assert_true(isnan(find(run, "one_way_p50", "quay")->value));
    assert_true(isnan(find(run, "delay_variation_p50", "mill")->value));
    assert_true(reduced_run_says(&run->reduction.doubts, "A computer slept"));
}

/* Beside a download: the replies wait behind its queue, all of them. */
static struct made_timing loaded(void)
{
    struct made_timing timing = plain();

    timing.back.least_ns = 2 * NS_PER_S;
    timing.seed = 9;
    return timing;
}

/* Alone, two seconds of queue could be on either way. */
static void a_long_queue_alone_leaves_open_on_which_way_it_is(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = loaded();

    add(run, 1, &timing);
    reduced_run_reduce(run);
    const struct finding *there = find(run, "one_way_least", "quay");

    assert_holds(there, THERE_MS * 1e-3);
    assert_true(there->high > 1.9);
}

static const struct finding *find_second(const struct reduced_run *run,
                                         const char *from)
{
    return reduced_run_find(
        run, &(struct reduced_wanted){ "one_way_least", "calm", from, 2 });
}

static void an_earlier_timing_tells_on_which_way_a_queue_is(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing before = plain();
    const struct made_timing timing = loaded();

    add(run, 1, &before);
    add(run, 2, &timing);
    reduced_run_reduce(run);
    assert_holds(find_second(run, "quay"), THERE_MS * 1e-3);
    assert_holds(find_second(run, "mill"), 2.0);
    assert_true(find_second(run, "quay")->high < 0.1);
    assert_near(find_second(run, "mill")->value, 2.0, 0.03);
}

static void after_a_reboot_the_earlier_clocks_are_not_believed(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing before = plain();
    struct made_timing timing = loaded();

    timing.offset_ns = 5 * (int64_t) NS_PER_S;
    add(run, 1, &before);
    add(run, 2, &timing);
    reduced_run_reduce(run);
    assert_holds(find_second(run, "quay"), THERE_MS * 1e-3);
    assert_holds(find_second(run, "mill"), 2.0);
    assert_true(find_second(run, "quay")->high > 1.9);
}

/* Half a second of the sender's sleep would go as half a second of the way
 * there; its wall clock shows it. */
static void a_sleep_since_the_earlier_timing_is_left_open(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing before = plain();
    struct made_timing timing = loaded();
    struct exchange_account sender, reflector;

    timing.offset_ns += (int64_t) NS_PER_S / 2;
    add(run, 1, &before);
    made_timing(&timing, &sender, &reflector);
    sender.wall_minus_monotonic_begun_ns = (int64_t) NS_PER_S / 2;
    sender.wall_minus_monotonic_ended_ns = (int64_t) NS_PER_S / 2;
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 2,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, &reflector);
    reduced_run_reduce(run);
    assert_holds(find_second(run, "quay"), THERE_MS * 1e-3);
    assert_holds(find_second(run, "mill"), 2.0);
    assert_true(find_second(run, "quay")->high > 1);
}

static void packets_too_quick_for_the_step_are_doubted(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there = timing.back =
        (struct made_way){ .least_ns = NS_PER_MS, .spread_ns = NS_PER_MS };
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_true(reduced_run_says(&run->reduction.doubts, "sooner than this"));
    assert_holds(find(run, "one_way_least", "quay"), 0.001);
    assert_true(find(run, "one_way_least", "quay")->low == 0);
}

/* On brisk an echo of the usual size takes 28 ms at the least, 12 of them the
 * wait for the far end's turn; stamped packets are 25.3 ms on the air there,
 * and what the far end held them in that wait is taken off. */
static void a_reply_held_in_the_wait_for_its_turn_went_by_radio(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there = timing.back =
        (struct made_way){ .least_ns = 12800 * NS_PER_US,
                           .spread_ns = 20 * NS_PER_MS };
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_false(reduced_run_says(&run->reduction.doubts, "did not cross"));
}

static void packets_quicker_than_any_step_did_not_cross_the_radio(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there = timing.back =
        (struct made_way){ .least_ns = 11 * NS_PER_MS, .spread_ns = NS_PER_MS };
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_true(reduced_run_says(&run->reduction.doubts, "did not cross"));
}

/* 25.3 ms each, and as much for the reply. */
static void packets_that_the_channel_holds_are_not_doubted(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.gap_ns = 60 * NS_PER_MS;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_false(reduced_run_says(&run->reduction.doubts, "own queue"));
}

static void packets_that_overfill_it_are_doubted(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.gap_ns = 40 * NS_PER_MS;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_true(
        reduced_run_says(&run->reduction.doubts,
                         "need 30 s on the air, and were sent within 24 s"));
}

/* --- losses, copies, order ------------------------------------------------ */

static void losses_of_one_way_are_not_the_others(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there.loses_every = 10;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    const struct finding *there = find(run, "one_way_loss", "quay");
    const struct finding *back = find(run, "one_way_loss", "mill");

    assert_near(there->value, 0.1, 1e-9);
    assert_int_equal(there->samples_count, 600);
    assert_holds(there, 0.1);
    /* Of the replies, those that were sent. */
    assert_near(back->value, 0, 1e-9);
    assert_int_equal(back->samples_count, 540);
    assert_near(find(run, "rtt_stamped_loss", "quay")->value, 0.1, 1e-9);
}

static void copies_and_order_are_counted_each_way(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there.doubles_every = 20;
    timing.back.doubles_every = 25;
    /* Three seconds late: three later ones come before it. */
    timing.back.holds_every = 60;
    timing.back.held_ns = 3 * NS_PER_S;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_near(find(run, "one_way_duplicated", "quay")->value, 30.0 / 600,
                1e-9);
    assert_near(find(run, "one_way_duplicated", "mill")->value, 24.0 / 600,
                1e-9);
    assert_near(find(run, "one_way_reordered", "quay")->value, 0, 1e-9);
    /* The last one is overtaken by nothing. */
    assert_near(find(run, "one_way_reordered", "mill")->value, 9.0 / 600, 1e-9);
    assert_near(find(run, "one_way_loss", "mill")->value, 0, 1e-9);
}

/* --- a way that is dead --------------------------------------------------- */

static void told(const struct reduced_run *run, char **ret_text)
{
    struct rows ways = wording_table(&run->reduction, "one_way_loss");
    size_t size = 0;
    FILE *out = open_memstream(ret_text, &size);

    assert_non_null(out);
    timing_say(&run->reduction, &ways, out);
    assert_int_equal(fclose(out), 0);
    rows_clear(&ways);
}

static void assert_told(const struct reduced_run *run, const char *words)
{
    char *text = NULL;

    told(run, &text);
    if (!strstr(text, words))
        fail_msg("'%s' is not in: %s", words, text);
    free(text);
}

static void assert_sentence(const struct reduced_run *run, const char *words)
{
    char text[400] = "";

    timing_say_losses(text, sizeof(text), &run->reduction);
    if (!strstr(text, words))
        fail_msg("'%s' is not in: %s", words, text);
}

static void a_dead_way_back_is_told_from_a_dead_way_there(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.back.loses_every = 1;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_near(find(run, "one_way_loss", "quay")->value, 0, 1e-9);
    assert_near(find(run, "one_way_loss", "mill")->value, 1, 1e-9);
    /* Variation needs no other way; the delay one way does. */
    assert_near(find(run, "delay_variation_p50", "quay")->value, 0.050, 0.006);
    assert_true(isnan(find(run, "one_way_p50", "quay")->value));
    assert_true(isinf(find(run, "rtt_stamped_p50", "quay")->value) != 0);
    assert_true(reduced_run_says(&run->reduction.methods, "drift"));
    assert_told(run, "the way from mill to quay is dead");
    assert_sentence(run, " From mill to quay on calm none of them arrived");
}

static void of_a_way_that_nothing_could_take_nothing_is_known(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there.loses_every = 1;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_near(find(run, "one_way_loss", "quay")->value, 1, 1e-9);
    assert_true(isnan(find(run, "one_way_loss", "mill")->value));
    assert_string_equal(find(run, "one_way_loss", "mill")->why,
                        "no probe arrived that could be answered");
    assert_told(run, "of that way nothing is known");
    assert_false(reduced_run_says(&run->reduction.methods, "drift"));
    assert_sentence(run, " From quay to mill on calm none of them arrived");
}

/* --- words ---------------------------------------------------------------- */

static void the_way_that_loses_and_the_one_that_waits_are_named(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.back.loses_every = 10;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_told(run,
                "none of 600 packets from quay to mill were lost, 60 of 600 "
                "on the way back: it is the way from mill to quay that loses.");
    assert_told(run, "it is the way from quay to mill that waits.");
    assert_told(run, "A voice call would have to hold back all it hears by ");
    assert_sentence(run, " Of 1200 stamped packets 60 were lost.");
}

static void delays_one_way_are_told_with_what_the_clocks_leave(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing before = plain();
    const struct made_timing timing = loaded();

    add(run, 1, &before);
    add(run, 2, &timing);
    reduced_run_reduce(run);
    assert_told(run, "Half of the packets from quay to mill took at most ");
    assert_told(run, " ms from the clocks).");
}

static void nothing_lost_is_said_in_few_words(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there.spread_ns = timing.back.spread_ns;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_told(run, "nothing was lost either way.");
    assert_sentence(run, " All 1200 stamped packets arrived.");
}

/* --- few, missing, several ------------------------------------------------ */

static void a_percentile_of_too_few_packets_is_not_given(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.count = 20;
    add(run, 1, &timing);
    reduced_run_reduce(run);
    assert_true(find(run, "delay_variation_p50", "quay")->value > 0);
    assert_true(isnan(find(run, "delay_variation_p90", "quay")->value));
    assert_string_equal(find(run, "delay_variation_p90", "quay")->why,
                        "needs 36 packets that arrived, there are 20");
    assert_true(isnan(find(run, "one_way_p90", "quay")->low));
}

/* A stamp that is no time takes its packet's delay, and no more. */
static void stamps_that_cannot_be_are_left_out(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();
    struct exchange_account sender, reflector;

    made_timing(&timing, &sender, &reflector);
    ((struct timing_arrival *) rows_at(&reflector.series[2], 7))->arrived_ns =
        INT64_MAX;
    ((struct timing_arrival *) rows_at(&reflector.series[2], 8))->replied_ns =
        INT64_MAX;
    ((struct timing_probe *) rows_at(&sender.series[0], 9))->reply_number =
        UINT64_C(1000000000);
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 1,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, &reflector);
    reduced_run_reduce(run);
    assert_int_equal(find(run, "delay_variation_p50", "quay")->samples_count,
                     599);
    assert_int_equal(find(run, "delay_variation_p50", "mill")->samples_count,
                     599);
    assert_near(find(run, "delay_variation_p90", "quay")->value, 0.090, 0.004);
    assert_near(find(run, "one_way_loss", "quay")->value, 0, 1e-9);
}

/* --- one account only ----------------------------------------------------- */

static void add_near(struct reduced_run *run, const struct made_timing *timing,
                     bool is_near)
{
    struct exchange_account sender, reflector;

    made_timing(timing, &sender, &reflector);
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 1,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    is_near ? &sender : NULL, is_near ? NULL : &reflector);
    account_clear(is_near ? &reflector : &sender);
}

static void without_the_far_account_the_replies_tell_both_ways(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();

    timing.there.loses_every = 10;
    timing.back.loses_every = 20;
    add_near(run, &timing, true);
    reduced_run_reduce(run);
    /* The last probe is lost, and nothing tells where. */
    assert_int_equal(find(run, "one_way_loss", "quay")->samples_count, 598);
    assert_near(find(run, "one_way_loss", "quay")->value, 59.0 / 598, 1e-9);
    assert_near(find(run, "one_way_loss", "mill")->value, 26.0 / 539, 1e-9);
    assert_near(find(run, "delay_variation_p50", "quay")->value, 0.050, 0.006);
    assert_holds(find(run, "one_way_p50", "mill"), 0.070);
    assert_string_equal(find(run, "one_way_duplicated", "quay")->why,
                        "only the other end's account would tell");
    assert_true(reduced_run_says(&run->reduction.doubts,
                                 "the last 2 probes were lost"));
    assert_told(run,
                "that loses. 2 stamped probes were not "
                "answered, and nothing tells on which way they were lost.");
    assert_sentence(
        run, " Of 1137 stamped packets 85 were lost. 2 stamped probes were "
             "not answered, and nothing tells on which way they "
             "were lost.");
}

/* The far end broke down in the middle: of what came after it nothing came
 * back. */
static void what_nothing_tells_of_is_not_said_to_have_arrived(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();
    struct exchange_account sender, reflector;

    made_timing(&timing, &sender, &reflector);
    account_clear(&reflector);
    for (size_t i = 200; i < sender.series[0].count; i++) {
        struct timing_probe *probe = rows_at(&sender.series[0], i);

        *probe = (struct timing_probe){ .sequence = i,
                                        .state = PROBE_LOST,
                                        .planned_ns = probe->planned_ns,
                                        .sent_ns = probe->sent_ns };
    }
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 1,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, NULL);
    reduced_run_reduce(run);
    assert_near(find(run, "rtt_stamped_loss", "quay")->value, 400.0 / 600,
                1e-9);
    assert_told(
        run, "nothing was lost either way as far as it is known. 400 stamped "
             "probes were not answered");
    assert_sentence(run,
                    " 400 stamped packets arrived. 400 stamped probes were not "
                    "answered, and nothing tells on which way they were "
                    "lost.");
}

/* RFC 8762 section 4: probes 0 to 9; 3 and 7 are lost on the way there, the
 * reply to 5 on the way back. */
static void gaps_in_two_numbers_part_the_losses(void **state)
{
    static const struct {
        uint64_t probe, reply;
    } came[] = { { 0, 0 }, { 1, 1 }, { 2, 2 }, { 4, 3 },
                 { 6, 5 }, { 8, 6 }, { 9, 7 } };
    struct reduced_run *run = *state;
    struct exchange_account sender;

    account_init(&sender, &timing_kind);
    sender.state = ACCOUNT_DONE;
    for (uint64_t i = 0; i < 10; i++) {
        struct timing_probe *probe = rows_add(&sender.series[0]);

        probe->sequence = i;
        probe->state = PROBE_LOST;
        probe->sent_ns = (i + 1) * NS_PER_S;
    }
    for (size_t i = 0; i < COUNT_OF(came); i++) {
        struct timing_probe *probe = rows_at(&sender.series[0], came[i].probe);

        probe->state = PROBE_ANSWERED;
        probe->received_ns = probe->sent_ns + 100 * NS_PER_MS;
        probe->arrived_unix_ns = probe->sent_ns + 50 * NS_PER_MS;
        probe->replied_unix_ns = probe->arrived_unix_ns;
        probe->reply_sequence = came[i].reply;
        probe->reply_number = i + 1;
    }
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &timing_kind,
                                             .round = 1,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = &spec },
                    &sender, NULL);
    reduced_run_reduce(run);
    assert_near(find(run, "one_way_loss", "quay")->value, 2.0 / 10, 1e-9);
    assert_near(find(run, "one_way_loss", "mill")->value, 1.0 / 8, 1e-9);
    assert_near(find(run, "rtt_stamped_loss", "quay")->value, 0.3, 1e-9);
}

static void without_the_senders_account_it_is_said_why(void **state)
{
    struct reduced_run *run = *state;
    const struct made_timing timing = plain();

    add_near(run, &timing, false);
    reduced_run_reduce(run);
    assert_true(isnan(find(run, "one_way_loss", "quay")->value));
    assert_non_null(strstr(find(run, "one_way_loss", "quay")->why, "quay"));
}

static void rounds_are_put_together(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();
    const struct reduced_wanted loss = { "one_way_loss", "calm", "quay", 0 };
    const struct reduced_wanted half = { "one_way_p50", "calm", "quay", 0 };

    timing.there.loses_every = 10;
    add(run, 1, &timing);
    timing.there.loses_every = 20;
    timing.offset_ns = -7 * (int64_t) NS_PER_S;
    timing.seed = 6;
    add(run, 2, &timing);
    reduced_run_reduce(run);
    assert_near(reduced_run_find(run, &loss)->value, 90.0 / 1200, 1e-9);
    assert_int_equal(reduced_run_find(run, &loss)->samples_count, 1200);
    assert_holds(reduced_run_find(run, &half), 0.094);
}

/* Probes of the one and replies of the other go the same way. */
static void exchanges_both_ways_about_keep_apart_over_rounds(void **state)
{
    struct reduced_run *run = *state;
    struct made_timing timing = plain();
    struct exchange_account sender, reflector;

    for (uint64_t round = 1; round <= 2; round++) {
        add(run, round, &timing);
        made_timing(&timing, &sender, &reflector);
        reduced_run_add(run,
                        &(struct made_exchange){ .kind = &timing_kind,
                                                 .round = round,
                                                 .plan_index = 1,
                                                 .from = "mill",
                                                 .to = "quay",
                                                 .spec = &spec },
                        &sender, &reflector);
    }
    reduced_run_reduce(run);
    struct rows ways = wording_table(&run->reduction, "one_way_loss");

    assert_int_equal(ways.count, 4);
    assert_near(
        wording_beside(&run->reduction, &ways, 0, "delay_variation_p50")->value,
        0.050, 0.006);
    assert_near(
        wording_beside(&run->reduction, &ways, 2, "delay_variation_p50")->value,
        0.050, 0.006);
    assert_near(
        wording_beside(&run->reduction, &ways, 3, "delay_variation_p50")->value,
        0.010, 0.0015);
    rows_clear(&ways);
}

#define TEST(name)                                                             \
    cmocka_unit_test_setup_teardown(name, reduced_run_set_up,                  \
                                    reduced_run_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(each_way_waits_as_it_did_whatever_the_clocks_say),
        TEST(the_delay_one_way_is_a_range_that_holds_the_truth),
        TEST(a_drift_of_40_ppm_is_seen_and_taken_off),
        TEST(a_clock_that_jumps_takes_the_delays_away_and_no_more),
        TEST(a_sleep_takes_the_delays_away_too),
        TEST(a_long_queue_alone_leaves_open_on_which_way_it_is),
        TEST(an_earlier_timing_tells_on_which_way_a_queue_is),
        TEST(after_a_reboot_the_earlier_clocks_are_not_believed),
        TEST(a_sleep_since_the_earlier_timing_is_left_open),
        TEST(packets_too_quick_for_the_step_are_doubted),
        TEST(a_reply_held_in_the_wait_for_its_turn_went_by_radio),
        TEST(packets_quicker_than_any_step_did_not_cross_the_radio),
        TEST(packets_that_the_channel_holds_are_not_doubted),
        TEST(packets_that_overfill_it_are_doubted),
        TEST(losses_of_one_way_are_not_the_others),
        TEST(copies_and_order_are_counted_each_way),
        TEST(a_dead_way_back_is_told_from_a_dead_way_there),
        TEST(of_a_way_that_nothing_could_take_nothing_is_known),
        TEST(the_way_that_loses_and_the_one_that_waits_are_named),
        TEST(delays_one_way_are_told_with_what_the_clocks_leave),
        TEST(nothing_lost_is_said_in_few_words),
        TEST(a_percentile_of_too_few_packets_is_not_given),
        TEST(stamps_that_cannot_be_are_left_out),
        TEST(without_the_far_account_the_replies_tell_both_ways),
        TEST(what_nothing_tells_of_is_not_said_to_have_arrived),
        TEST(gaps_in_two_numbers_part_the_losses),
        TEST(without_the_senders_account_it_is_said_why),
        TEST(rounds_are_put_together),
        TEST(exchanges_both_ways_about_keep_apart_over_rounds),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
