/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

/*
 * Each doubt is told, and takes away what it speaks against and no more: of a
 * download that meets what is expected, and of one that falls short.
 */
#define MEETS_BPS 37000
#define SHORT_BPS 25000
#define TOOK_NS   (40 * NS_PER_S)

/* Both ends' accounts of one download, for a test to spoil. */
struct pair {
    struct exchange_account from, to;
};
typedef void spoil_fn(struct pair *pair);

static void add_download(struct reduced_run *fixture, size_t step,
                         uint64_t round, double goodput_bps, spoil_fn *spoil)
{
    static const struct download_spec spec = { .for_ns = TOOK_NS,
                                               .connections = 1 };
    const struct made_download download = { .goodput_bps = goodput_bps,
                                            .cycle_ns = 174 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 3,
                                            .for_ns = TOOK_NS,
                                            .jitter_seed = 5 };
    struct pair pair;

    made_sender(&download, &pair.from);
    made_receiver(&download, &pair.to);
    if (spoil)
        spoil(&pair);
    reduced_run_add_download(fixture, step, round, &spec, &pair.from, &pair.to);
}

static void assert_told(const struct reduced_run *fixture, const char *text)
{
    if (!reduced_run_says(&fixture->reduction.doubts, text))
        fail_msg("no doubt says '%s'", text);
}

/* "" for one that stands. */
static void assert_verdict(const struct reduced_run *fixture, const char *step,
                           int verdict, const char *why)
{
    const struct finding *finding =
        reduced_run_find_of(fixture, "goodput_steady", step, 1);

    if (finding->verdict != verdict)
        fail_msg("%s: %s (%s), expected %s", step, verdicts[finding->verdict],
                 finding->why, verdicts[verdict]);
    assert_string_equal(finding->why, why);
}

/* A download that meets on calm, and one that is short on brisk, both spoilt.
 */
static void add_spoilt(struct reduced_run *fixture, spoil_fn *spoil)
{
    add_download(fixture, 0, 1, MEETS_BPS, spoil);
    add_download(fixture, 1, 1, SHORT_BPS, spoil);
    reduced_run_reduce(fixture);
}

static void spoil_nothing(struct pair *pair)
{
    (void) pair;
}

static void without_a_doubt_both_verdicts_stand(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_nothing);
    assert_int_equal(fixture->reduction.doubts.count, 0);
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
    assert_verdict(fixture, "brisk", VERDICT_SHORT, "");
}

/* --- what takes both ------------------------------------------------------ */

static void assert_takes_both(struct reduced_run *fixture, spoil_fn *spoil,
                              const char *told, const char *why)
{
    add_spoilt(fixture, spoil);
    assert_told(fixture, told);
    assert_verdict(fixture, "calm", VERDICT_UNDECIDED, why);
    assert_verdict(fixture, "brisk", VERDICT_UNDECIDED, why);
}

static void spoil_by_sleep(struct pair *pair)
{
    pair->to.suspended_ns = 3 * NS_PER_S;
}

static void a_computer_that_slept_takes_both_verdicts(void **state)
{
    assert_takes_both(*state, spoil_by_sleep,
                      "The computer of quay slept for 3.0 s",
                      "no verdict: the computer of quay slept meanwhile");
}

static void spoil_by_clock(struct pair *pair)
{
    pair->from.wall_minus_monotonic_begun_ns = INT64_C(1900000000000000000);
    pair->from.wall_minus_monotonic_ended_ns =
        INT64_C(1900000000000000000) + INT64_C(7200000000000);
}

static void a_clock_that_was_set_takes_both_verdicts(void **state)
{
    assert_takes_both(*state, spoil_by_clock,
                      "The wall clock of mill was set by +7200.000 s",
                      "no verdict: the clock of mill was set meanwhile, or "
                      "the computer stood still");
}

static void spoil_by_route(struct pair *pair)
{
    (void) snprintf(pair->from.interface_after,
                    sizeof(pair->from.interface_after), "wlan0");
}

static void a_route_that_changed_takes_both_verdicts(void **state)
{
    static const char why[] = "no verdict: the way was another one, or changed";
    struct reduced_run *fixture = *state;

    add_download(fixture, 0, 1, MEETS_BPS, spoil_by_route);
    reduced_run_reduce(fixture);
    assert_told(fixture, "The interface of mill changed from radio0 to wlan0");
    assert_verdict(fixture, "calm", VERDICT_UNDECIDED, why);
}

/* Every fifth answer came over one router more. */
static void add_ping_of_two_ways(struct reduced_run *fixture, size_t step)
{
    static const struct ping_spec spec = { .count = 20,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    struct exchange_account prober;
    struct exchange_account answerer;
    uint64_t rtts_ns[20];

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = (65 + i) * NS_PER_MS;
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_answerer(&answerer);
    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        ((struct ping_probe *) rows_at(&prober.series[0], i))->ttl =
            i % 5 ? 64 : 63;
    reduced_run_add_ping(fixture, step, 1, &spec, &prober, &answerer);
}

static void
answers_by_two_ways_take_the_verdicts_of_what_ran_beside(void **state)
{
    struct reduced_run *fixture = *state;

    add_ping_of_two_ways(fixture, 0);
    add_download(fixture, 0, 1, MEETS_BPS, NULL);
    add_download(fixture, 1, 1, SHORT_BPS, NULL);
    reduced_run_reduce(fixture);
    assert_told(fixture, "came with a TTL of 63 to 64");
    assert_verdict(fixture, "calm", VERDICT_UNDECIDED,
                   "no verdict: the way was another one, or changed");
    /* Another step, another time. */
    assert_verdict(fixture, "brisk", VERDICT_SHORT, "");
}

static void a_practice_link_that_lost_time_takes_both_verdicts(void **state)
{
    struct reduced_run *fixture = *state;

    assert_int_equal(
        sqlite3_exec(made_run_database(&fixture->made),
                     "INSERT INTO notes (run, at_unix_ns, class, text) VALUES "
                     "(1, 0, 'practice', 'edges were late')",
                     NULL, NULL, NULL),
        SQLITE_OK);
    assert_takes_both(fixture, spoil_nothing, "edges were late",
                      "no verdict: the practice link did not keep time");
}

/* Three echoes of the contact may be lost where the run's are answered. */
static void what_the_contact_found_is_told_as_of_before_the_run(void **state)
{
    struct reduced_run *fixture = *state;

    assert_int_equal(
        sqlite3_exec(
            made_run_database(&fixture->made),
            "INSERT INTO notes (run, at_unix_ns, class, text) VALUES "
            "(1, 0, 'ladder', 'far computer does not answer'), "
            "(1, 2000000000000000000, 'contact', 'quay had no answer'), "
            "(1, 0, 'interface', 'Cut test: answers still came.')",
            NULL, NULL, NULL),
        SQLITE_OK);
    add_spoilt(fixture, spoil_nothing);
    assert_told(fixture, "Before the run: far computer does not answer.");
    assert_told(fixture, "When contact was made again: quay had no answer.");
    assert_told(fixture, "Cut test: answers still came.");
    for (size_t i = 0; i < fixture->reduction.doubts.count; i++) {
        const struct sentence *doubt = rows_at(&fixture->reduction.doubts, i);

        if (strstr(doubt->text, "Cut test"))
            assert_string_equal(doubt->text, "Cut test: answers still came.");
    }
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
}

/* --- what can only have made it look worse -------------------------------- */

static void spoil_silence(struct pair *pair)
{
    pair->to.quiet_ns = 800 * NS_PER_MS;
    pair->to.quiet_bytes = 5140;
    pair->to.quiet_packets = 10;
}

static void a_link_that_was_not_idle_may_be_short_for_that(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_silence);
    assert_told(fixture, "The link was not idle when the download mill → quay");
    assert_told(fixture, "carried 5.0 kB");
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
    assert_verdict(fixture, "brisk", VERDICT_UNDECIDED,
                   "no verdict: the link was not idle at quay when it began");
}

static void spoil_silence_of_no_length(struct pair *pair)
{
    spoil_silence(pair);
    pair->to.quiet_ns = 0;
}

static void bytes_of_a_silence_that_was_not_watched_are_no_doubt(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_silence_of_no_length);
    assert_int_equal(fixture->reduction.doubts.count, 0);
    assert_verdict(fixture, "brisk", VERDICT_SHORT, "");
}

/* What the receiver's interface counted; 14 bytes of each packet are the
 * link's. */
static void count_received(struct exchange_account *account,
                           uint64_t before_bytes, uint64_t after_bytes)
{
    account->received_bytes_before = before_bytes;
    account->received_bytes_after = after_bytes;
    account->received_packets_before = 1000;
    account->received_packets_after = 1400;
}

static void spoil_by_others(struct pair *pair)
{
    count_received(&pair->to, 70000, 570000);
}

static void other_traffic_may_be_why_it_is_short(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_by_others);
    assert_told(fixture, "more than what was sent on purpose");
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
    assert_verdict(fixture, "brisk", VERDICT_UNDECIDED,
                   "no verdict: other traffic may have run at quay");
}

static void spoil_by_new_interface(struct pair *pair)
{
    count_received(&pair->to, 900000, 200000);
    pair->to.received_packets_after = 300;
}

static void counters_made_anew_leave_other_traffic_unknown(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_by_new_interface);
    assert_told(fixture, "The interface counters of quay went backwards");
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
    assert_verdict(
        fixture, "brisk", VERDICT_UNDECIDED,
        "no verdict: whether other traffic ran at quay is not known");
}

/* 185 and 125 kB came; a counter of 32 bits began anew on the way. */
static void spoil_by_wrap(struct pair *pair)
{
    count_received(&pair->to, UINT32_MAX - 50000, 76000);
}

static void counters_of_32_bits_that_wrapped_are_counted_on(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_by_wrap);
    assert_int_equal(fixture->reduction.doubts.count, 0);
    assert_true(reduced_run_says(&fixture->reduction.methods,
                                 "The interface counters of quay, of 32 bits, "
                                 "began anew during the download"));
    assert_verdict(fixture, "brisk", VERDICT_SHORT, "");
}

static void spoil_by_wrap_and_others(struct pair *pair)
{
    count_received(&pair->to, UINT32_MAX - 50000, 500000);
}

static void other_traffic_is_seen_across_a_wrap(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_by_wrap_and_others);
    assert_told(fixture, "more than what was sent on purpose");
    assert_verdict(fixture, "brisk", VERDICT_UNDECIDED,
                   "no verdict: other traffic may have run at quay");
}

static void a_computer_too_slow_may_be_what_is_short(void **state)
{
    struct reduced_run *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(logbook_store_end(fixture->made.logbook, 1, "quay",
                                       "{\"loopback_bps\":40000}", "[]",
                                       &fault),
                     0);
    add_spoilt(fixture, spoil_nothing);
    assert_told(fixture, "it may be the computer that was measured");
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
    assert_verdict(fixture, "brisk", VERDICT_UNDECIDED,
                   "no verdict: it may be the computer's own limit");
}

/* --- what left a part out ------------------------------------------------- */

static void spoil_by_stop(struct pair *pair)
{
    pair->to.state = ACCOUNT_STOPPED;
}

static void what_was_stopped_early_is_not_said_to_meet(void **state)
{
    struct reduced_run *fixture = *state;

    add_spoilt(fixture, spoil_by_stop);
    assert_told(fixture, "ended at quay as 'stopped'");
    assert_verdict(fixture, "calm", VERDICT_UNDECIDED,
                   "no verdict: it ended before all was done that was planned");
    assert_verdict(fixture, "brisk", VERDICT_SHORT, "");
}

static void fewer_probes_than_planned_are_told(void **state)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    static const struct ping_spec spec_until = { .count = 40,
                                                 .within_ratio = 0.05,
                                                 .size_bytes = 56,
                                                 .wait_ns = 10 * NS_PER_S };
    struct reduced_run *fixture = *state;
    struct exchange_account prober;
    struct exchange_account answerer;
    uint64_t rtts_ns[30];

    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = (44 + i % 16) * NS_PER_MS;
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_answerer(&answerer);
    for (uint64_t i = 0; i < 2; i++)
        made_run_add(&fixture->made,
                     &(struct made_exchange){ .kind = &ping_kind,
                                              .round = 1,
                                              .plan_index = i,
                                              .from = "mill",
                                              .to = "quay",
                                              .spec = i ? &spec_until : &spec,
                                              .from_account = &prober,
                                              .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
    reduced_run_reduce(fixture);
    assert_told(fixture, "has fewer samples than planned: 30 of 40 probes");
    /* The other one ended because it was known well enough. */
    assert_int_equal(fixture->reduction.doubts.count, 1);
}

/* --- accounts that aren't there ------------------------------------------- */

static void add_without_accounts(struct reduced_run *fixture,
                                 const char *note_class)
{
    static const struct download_spec spec = { .for_ns = TOOK_NS,
                                               .connections = 1 };

    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .round = 1,
                                          .plan_index = 1,
                                          .from = "mill",
                                          .to = "quay",
                                          .spec = &spec,
                                          .note = "the order came too late",
                                          .note_class = note_class });
    reduced_run_reduce(fixture);
    assert_told(fixture, "the order came too late");
}

static void an_account_that_never_came_may_be_on_a_memory_stick(void **state)
{
    add_without_accounts(*state, NULL);
    assert_told(*state,
                "account of quay for the download mill \xe2\x86\x92 quay "
                "on step calm never came; 'bothends import' takes it");
}

static void of_a_refused_order_no_account_is_looked_for(void **state)
{
    struct reduced_run *fixture = *state;

    add_without_accounts(fixture, "refused");
    assert_int_equal(fixture->reduction.doubts.count, 1);
}

/* --- over rounds ---------------------------------------------------------- */

static void one_doubtful_round_takes_the_verdict_of_all(void **state)
{
    struct reduced_run *fixture = *state;

    for (uint64_t round = 1; round <= 3; round++)
        add_download(fixture, 0, round, MEETS_BPS,
                     round == 2 ? spoil_by_sleep : NULL);
    reduced_run_reduce(fixture);
    const struct finding *all =
        reduced_run_find_of(fixture, "goodput_steady", "calm", 0);

    assert_int_equal(all->verdict, VERDICT_UNDECIDED);
    assert_string_equal(all->why,
                        "no verdict: the computer of quay slept meanwhile");
    assert_verdict(fixture, "calm", VERDICT_MEETS, "");
}

#define TEST(name)                                                             \
    cmocka_unit_test_setup_teardown(name, reduced_run_set_up,                  \
                                    reduced_run_tear_down)

/* --- ends that did not begin at once -------------------------------------- */

/* The receiver asked 20 s before the sender began. */
static void an_end_that_began_before_the_other_is_told(void **state)
{
    static const struct download_spec spec = { .for_ns = TOOK_NS,
                                               .connections = 1 };
    const struct made_download download = { .goodput_bps = MEETS_BPS,
                                            .cycle_ns = 174 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 3,
                                            .for_ns = TOOK_NS,
                                            .jitter_seed = 5 };
    struct reduced_run *fixture = *state;
    struct pair pair;

    made_sender(&download, &pair.from);
    made_receiver(&download, &pair.to);
    pair.to.begun_ns -= 20 * NS_PER_S;
    ((struct download_connection *) rows_at(&pair.to.series[2], 0))
        ->request_ns -= 20 * NS_PER_S;
    reduced_run_add(fixture,
                    &(struct made_exchange){ .kind = &download_kind,
                                             .round = 1,
                                             .plan_index = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = &spec,
                                             .to_early_ns = 20 * NS_PER_S },
                    &pair.from, &pair.to);
    reduced_run_reduce(fixture);
    assert_told(fixture, "did not begin at once: quay began 20.0 s before the "
                         "other one");
    /* ... and the link is not to blame for it. */
    assert_int_equal(fixture->reduction.shortfalls.count, 0);
}

/* --- pings by themselves -------------------------------------------------- */

#define PROBES 60

/* A second from one to the next. */
static void add_echoes(struct reduced_run *fixture, const uint64_t *rtts_ns)
{
    static const struct ping_spec spec = { .count = PROBES,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    struct exchange_account prober;
    struct exchange_account answerer;

    made_prober(rtts_ns, PROBES, &prober);
    made_answerer(&answerer);
    reduced_run_add(fixture,
                    &(struct made_exchange){ .kind = &ping_kind,
                                             .round = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = &spec },
                    &prober, &answerer);
    reduced_run_reduce(fixture);
}

static void fill_echoes(uint64_t *rtts_ns)
{
    for (size_t i = 0; i < PROBES; i++)
        rtts_ns[i] = (44 + i % 11) * NS_PER_MS;
}

static size_t doubts_of(const struct reduced_run *fixture)
{
    return fixture->reduction.doubts.count;
}

static void echoes_in_time_are_no_doubt(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    add_echoes(fixture, rtts_ns);
    assert_int_equal(doubts_of(fixture), 0);
}

static void echoes_that_all_take_long_are_told(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 0; i < PROBES; i++)
        rtts_ns[i] *= 3;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "Half of the echoes from mill to quay on step calm "
                         "took ");
}

static void some_echoes_that_take_too_long_are_told(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 0; i < PROBES; i += 4)
        rtts_ns[i] += 300 * NS_PER_MS;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "15 of 60 echoes from mill to quay on step calm took "
                         "longer than any should");
}

static void echoes_that_others_overtake_are_told_as_that(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 0; i + 4 < PROBES; i += 4)
        rtts_ns[i] += 1500 * NS_PER_MS;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "14 answers to pings from mill to quay on step calm "
                         "came after answers to later ones");
    assert_false(
        reduced_run_says(&fixture->reduction.doubts, "of an idle link"));
}

static void
an_echo_quicker_than_any_step_allows_went_round_the_radio(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    rtts_ns[30] = 20 * NS_PER_MS;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "did not cross the radio");
}

/* It went with something that was sent again, and needed no preamble. */
static void where_others_are_lost_an_echo_may_join_a_transmission(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    rtts_ns[29] = 0;
    rtts_ns[30] = 36 * NS_PER_MS;
    add_echoes(fixture, rtts_ns);
    assert_int_equal(doubts_of(fixture), 0);
}

static void losses_that_follow_each_other_are_one_gap(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 20; i < 25; i++)
        rtts_ns[i] = 0;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "All 5 echoes that were lost from mill to quay on "
                         "step calm were sent one after the other, from 20.0 "
                         "to 24.0 s after its start");
}

static void a_gap_beside_single_losses_is_told_too(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 20; i < 28; i++)
        rtts_ns[i] = 0;
    rtts_ns[3] = rtts_ns[40] = 0;
    add_echoes(fixture, rtts_ns);
    assert_told(fixture, "8 of the 10 echoes that were lost");
}

static void losses_here_and_there_are_no_gap(void **state)
{
    struct reduced_run *fixture = *state;
    uint64_t rtts_ns[PROBES];

    fill_echoes(rtts_ns);
    for (size_t i = 0; i < PROBES; i += 7)
        rtts_ns[i] = 0;
    rtts_ns[20] = rtts_ns[22] = 0;
    add_echoes(fixture, rtts_ns);
    assert_int_equal(doubts_of(fixture), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(without_a_doubt_both_verdicts_stand),
        TEST(a_computer_that_slept_takes_both_verdicts),
        TEST(a_clock_that_was_set_takes_both_verdicts),
        TEST(a_route_that_changed_takes_both_verdicts),
        TEST(answers_by_two_ways_take_the_verdicts_of_what_ran_beside),
        TEST(a_practice_link_that_lost_time_takes_both_verdicts),
        TEST(what_the_contact_found_is_told_as_of_before_the_run),
        TEST(a_link_that_was_not_idle_may_be_short_for_that),
        TEST(bytes_of_a_silence_that_was_not_watched_are_no_doubt),
        TEST(other_traffic_may_be_why_it_is_short),
        TEST(counters_made_anew_leave_other_traffic_unknown),
        TEST(counters_of_32_bits_that_wrapped_are_counted_on),
        TEST(other_traffic_is_seen_across_a_wrap),
        TEST(a_computer_too_slow_may_be_what_is_short),
        TEST(what_was_stopped_early_is_not_said_to_meet),
        TEST(fewer_probes_than_planned_are_told),
        TEST(an_account_that_never_came_may_be_on_a_memory_stick),
        TEST(of_a_refused_order_no_account_is_looked_for),
        TEST(an_end_that_began_before_the_other_is_told),
        TEST(echoes_in_time_are_no_doubt),
        TEST(echoes_that_all_take_long_are_told),
        TEST(some_echoes_that_take_too_long_are_told),
        TEST(echoes_that_others_overtake_are_told_as_that),
        TEST(an_echo_quicker_than_any_step_allows_went_round_the_radio),
        TEST(where_others_are_lost_an_echo_may_join_a_transmission),
        TEST(losses_that_follow_each_other_are_one_gap),
        TEST(a_gap_beside_single_losses_is_told_too),
        TEST(losses_here_and_there_are_no_gap),
        TEST(one_doubtful_round_takes_the_verdict_of_all),
    };

    return cmocka_run_group_tests_name("doubts", tests, NULL, NULL);
}
