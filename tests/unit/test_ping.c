/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include "agent/clock.h"

#include <string.h>

static struct exchange_order prober_order(const struct pair *pair,
                                          const struct ping_spec *spec)
{
    struct exchange_order order = pair_order(pair, "ping", "prober");

    memcpy(&order.spec, spec, sizeof(*spec));
    return order;
}

static struct ping_spec quick_spec(void)
{
    return (struct ping_spec){
        .count = 20,
        .gap_ns = { .form = SPREAD_UNIFORM,
                    .mean = 10e6,
                    .low = 5e6,
                    .high = 15e6 },
        .size_bytes = 56,
        .wait_ns = NS_PER_S,
    };
}

static const struct ping_probe *probe_of(const struct pair *pair, size_t number)
{
    return rows_at(&pair->ends[0].account.series[0], number);
}

static struct ping_outcome outcome_of(const struct pair *pair)
{
    struct ping_outcome outcome;

    memcpy(&outcome, &pair->ends[0].account.outcome, sizeof(outcome));
    return outcome;
}

static void probe_loopback(struct pair *pair, const char *address,
                           uint64_t ip_header_bytes)
{
    struct ping_spec spec = quick_spec();
    struct exchange_order order = prober_order(pair, &spec);

    (void) snprintf(order.peer_address, sizeof(order.peer_address), "%s",
                    address);
    (void) snprintf(order.own_address, sizeof(order.own_address), "%s",
                    address);
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);

    const struct exchange_account *account = &pair->ends[0].account;
    const struct ping_outcome outcome = outcome_of(pair);
    assert_string_equal(account->trouble, "");
    assert_int_equal(account->state, ACCOUNT_DONE);
    assert_int_equal(outcome.sent_count, 20);
    assert_int_equal(outcome.answered_count, 20);
    assert_int_equal(outcome.lost_count, 0);
    assert_int_equal(outcome.wire_bytes, ip_header_bytes + 8 + 56);
    assert_int_equal(account->series[0].count, 20);
    for (size_t i = 0; i < 20; i++) {
        const struct ping_probe *probe = probe_of(pair, i);

        assert_int_equal(probe->sequence, i);
        assert_int_equal(probe->state, PROBE_ANSWERED);
        /* The kernel starts to stamp a little after it was asked to. */
        if (i >= 10) {
            assert_int_equal(probe->sent_source, STAMP_KERNEL);
            assert_int_equal(probe->received_source, STAMP_KERNEL);
        }
        assert_int_equal(probe->rtt_ns, probe->received_ns - probe->sent_ns);
        assert_true(probe->rtt_ns < NS_PER_S);
        assert_int_equal(probe->ttl, 64);
        assert_int_equal(probe->after_pause, i == 0);
    }
}

static void every_probe_to_loopback_is_answered_with_kernel_stamps(void **state)
{
    probe_loopback(*state, "127.0.0.1", 20);
}

static void every_ipv6_probe_to_loopback_is_answered(void **state)
{
    probe_loopback(*state, "::1", 40);
}

/* Where the schedule says, or later as the computer lets it, never before; and
 * without drift: the lateness of the last probes is that of the first. */
static void probes_leave_by_the_schedule_that_the_seed_gives(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();

    spec.count = 0;
    spec.for_ns = 300 * NS_PER_MS;
    struct exchange_order order = prober_order(pair, &spec);
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);

    const size_t count = pair->ends[0].account.series[0].count;
    const struct probing probing = PROBING_OF(&spec);
    struct probing_schedule schedule = probing_schedule(&probing, order.seed);
    uint64_t least_late_ns = UINT64_MAX;
    for (size_t i = 0; i < count; i++) {
        const uint64_t sent_ns = probe_of(pair, i)->sent_ns;

        assert_true(sent_ns >= order.start_ns + schedule.at_ns);
        const uint64_t late_ns = sent_ns - order.start_ns - schedule.at_ns;
        if (late_ns < least_late_ns)
            least_late_ns = late_ns;
        assert_false(schedule.is_over);
        probing_advance(&schedule);
    }
    assert_true(schedule.is_over);
    /* A relative schedule would be late by the sum of its wake-ups. */
    assert_true(least_late_ns < 5 * NS_PER_MS);
}

static void a_probe_without_an_answer_is_lost_after_the_wait(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();
    struct exchange_order order;

    spec.count = 3;
    spec.wait_ns = 1; /* no answer is that quick */
    order = prober_order(pair, &spec);
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);

    const struct ping_outcome outcome = outcome_of(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_int_equal(outcome.sent_count, 3);
    assert_int_equal(outcome.answered_count, 0);
    assert_int_equal(outcome.lost_count, 3);
    for (size_t i = 0; i < 3; i++) {
        const struct ping_probe *probe = probe_of(pair, i);

        assert_true(probe->state == PROBE_LOST || probe->state == PROBE_LATE);
        assert_int_equal(probe->state == PROBE_LATE, probe->received_ns != 0);
    }
}

static void a_large_probe_comes_back_whole(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();

    spec.count = 2;
    spec.size_bytes = 65000;
    struct exchange_order order = prober_order(pair, &spec);
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(outcome_of(pair).answered_count, 2);
}

static void an_answerer_ends_when_the_prober_says_so(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();

    spec.wait_ns = 15 * NS_PER_S; /* alone it would stay that long */
    struct exchange_order order = prober_order(pair, &spec);
    struct exchange_order other = order;
    (void) snprintf(other.part, sizeof(other.part), "answerer");
    other.identify_to[0] = '\0';
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    assert_int_equal(pair_arm(pair, 1, &other, NULL), 0);
    pair_run(pair);

    const struct exchange_account *prober = &pair->ends[0].account;
    const struct exchange_account *answerer = &pair->ends[1].account;
    assert_int_equal(answerer->state, ACCOUNT_DONE);
    assert_true(answerer->ended_ns < answerer->begun_ns + 15 * NS_PER_S);
    assert_true(answerer->ended_ns >= prober->ended_ns);
    assert_int_equal(prober->identification_count, 2);
    assert_int_equal(answerer->identification_count, 0);
    assert_string_equal(prober->interface, "lo");
    /* 20 requests, 20 answers, 2 identifications, as the interface saw them. */
    assert_true(prober->received_packets_after - prober->received_packets_before
                >= 42);
    assert_true(answerer->received_packets_after
                > answerer->received_packets_before);
}

static void an_answerer_alone_ends_at_the_planned_end(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();

    spec.wait_ns = NS_PER_MS;
    struct exchange_order order = prober_order(pair, &spec);
    (void) snprintf(order.part, sizeof(order.part), "answerer");
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_true(pair->ends[0].account.ended_ns
                >= order.start_ns + ping_longest_ns(&spec, order.seed)
                       + NS_PER_S);
}

static void probing_stops_at_the_latest_stop_time(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();

    spec.count = 1000000;
    struct exchange_order order = prober_order(pair, &spec);
    order.stop_ns = order.start_ns + 200 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_STOPPED);
    assert_true(pair->ends[0].account.ended_ns >= order.stop_ns);
    assert_true(outcome_of(pair).answered_count > 0);
}

/* As when the lid was shut meanwhile. */
static void fall_asleep(uv_timer_t *timer)
{
    const struct timespec nap = { .tv_nsec = 900000000 };

    (void) nanosleep(&nap, NULL);
    uv_close((uv_handle_t *) timer, NULL);
}

static void what_a_sleeping_computer_missed_is_not_sent_in_a_burst(void **state)
{
    struct pair *pair = *state;
    struct ping_spec spec = quick_spec();
    uv_timer_t timer;

    spec.count = 100;
    struct exchange_order order = prober_order(pair, &spec);
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    assert_int_equal(uv_timer_init(&pair->loop, &timer), 0);
    assert_int_equal(uv_timer_start(&timer, fall_asleep, 100, 0), 0);
    pair_run(pair);

    const struct ping_outcome outcome = outcome_of(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_true(outcome.unsent_count > 0);
    assert_int_equal(outcome.unsent_count + outcome.sent_count, 100);
    assert_non_null(strstr(pair->ends[0].account.trouble,
                           "this computer was too late for it"));
    for (size_t i = 0; i < 100; i++) {
        if (probe_of(pair, i)->state == PROBE_UNSENT)
            assert_int_equal(probe_of(pair, i)->received_ns, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PAIR_TEST(every_probe_to_loopback_is_answered_with_kernel_stamps),
        PAIR_TEST(every_ipv6_probe_to_loopback_is_answered),
        PAIR_TEST(probes_leave_by_the_schedule_that_the_seed_gives),
        PAIR_TEST(a_probe_without_an_answer_is_lost_after_the_wait),
        PAIR_TEST(a_large_probe_comes_back_whole),
        PAIR_TEST(an_answerer_ends_when_the_prober_says_so),
        PAIR_TEST(an_answerer_alone_ends_at_the_planned_end),
        PAIR_TEST(probing_stops_at_the_latest_stop_time),
        PAIR_TEST(what_a_sleeping_computer_missed_is_not_sent_in_a_burst),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
