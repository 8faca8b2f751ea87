/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall.h"

#include "tests/bench/tcp_model.h"
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

/* Samples come from a TCP of the tests' own over the practice link's air: it
 * shares nothing with what is tested. */
struct fixture {
    struct reduced_run run;
    struct tcp_model model;
    struct download_spec spec;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    reduced_run_init(&fixture->run);
    fixture->run.made.plan.practice.queue_bytes = 96000;
    fixture->model = (struct tcp_model){ .sender = 0,
                                         .receiver = 1,
                                         .seed = 5,
                                         .segment_bytes = 1448,
                                         .for_ns = 40 * NS_PER_S };
    if (air_config_from_plan(&fixture->run.made.plan, &fixture->model.air,
                             &fault))
        return -1;
    fixture->spec =
        (struct download_spec){ .for_ns = 40 * NS_PER_S, .connections = 1 };
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    reduced_run_clear(&fixture->run);
    free(fixture);
    return 0;
}

static void add_accounts(struct fixture *fixture,
                         struct exchange_account *sender,
                         struct exchange_account *receiver)
{
    reduced_run_add(&fixture->run,
                    &(struct made_exchange){ .kind = &download_kind,
                                             .round = 1,
                                             .plan_index = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = &fixture->spec },
                    sender, receiver);
}

static void add_download(struct fixture *fixture)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    tcp_model_run(&fixture->model, &sender, &receiver);
    add_accounts(fixture, &sender, &receiver);
}

static void add_pings(struct fixture *fixture)
{
    static const struct ping_spec spec = { .count = 30,
                                           .size_bytes = 56,
                                           .wait_ns = 5 * NS_PER_S };
    uint64_t rtts_ns[30];
    struct exchange_account prober;
    struct exchange_account answerer;

    echo_model_run(&fixture->model, COUNT_OF(rtts_ns), 0.4, rtts_ns);
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_answerer(&answerer);
    reduced_run_add(&fixture->run,
                    &(struct made_exchange){ .kind = &ping_kind,
                                             .round = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = &spec },
                    &prober, &answerer);
}

/* The only shortfall; its parts add up and are findings. */
static const struct shortfall *explained(struct fixture *fixture)
{
    reduced_run_reduce(&fixture->run);
    assert_int_equal(fixture->run.reduction.shortfalls.count, 1);
    const struct shortfall *shortfall =
        rows_at(&fixture->run.reduction.shortfalls, 0);
    double sum_bps = 0;
    size_t findings = 0;

    for (int i = 0; i < SHORTFALL_PARTS; i++)
        sum_bps += shortfall->part_bps[i];
    assert_true(
        fabs(sum_bps - (shortfall->expected_bps - shortfall->measured_bps))
        < 1e-6 * shortfall->expected_bps);
    for (size_t i = 0; i < fixture->run.reduction.findings.count; i++) {
        const struct finding *finding =
            rows_at(&fixture->run.reduction.findings, i);

        findings += strncmp(finding->measure, "shortfall_", 10) == 0;
    }
    assert_int_equal(findings, SHORTFALL_PARTS);
    assert_string_not_equal(shortfall->sentence, "");
    print_message("%s\n", shortfall->sentence);
    assert_string_not_equal(shortfall->advice, "");
    return shortfall;
}

static void a_link_that_meets_gets_no_cause(void **state)
{
    struct fixture *fixture = *state;

    add_pings(fixture);
    add_download(fixture);
    reduced_run_reduce(&fixture->run);
    assert_int_equal(fixture->run.reduction.shortfalls.count, 0);
}

/* What arrived between comes at the end of it, all at once, but for a first
 * piece that comes before. */
static void add_held_download(struct fixture *fixture, uint64_t from_s,
                              uint64_t first_s, uint64_t to_s)
{
    struct exchange_account sender;
    struct exchange_account receiver;
    bool is_first = true;

    tcp_model_run(&fixture->model, &sender, &receiver);
    for (size_t i = 0; i < receiver.series[0].count; i++) {
        struct download_arrival *arrival = rows_at(&receiver.series[0], i);
        const double at_s =
            (double) (arrival->at_ns - receiver.begun_ns) * 1e-9;

        if (at_s < (double) from_s || at_s > (double) to_s)
            continue;
        arrival->at_ns =
            receiver.begun_ns + (is_first ? first_s : to_s) * NS_PER_S;
        is_first = false;
    }
    add_accounts(fixture, &sender, &receiver);
}

static void what_a_lost_segment_holds_back_at_the_end_has_crossed(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.tells_less = true;
    add_held_download(fixture, 34, 42, 42);
    reduced_run_reduce(&fixture->run);
    assert_int_equal(fixture->run.reduction.shortfalls.count, 0);
}

/* From then on the application got nothing, and TCP tells how much came. */
static void hold_and_tell(struct exchange_account *sender,
                          struct exchange_account *receiver, double from_s)
{
    struct rows *arrivals = &receiver->series[0];
    struct rows *tcp = &sender->series[1];
    size_t kept = 0;

    for (size_t i = 0; i < arrivals->count; i++) {
        const struct download_arrival *arrival = rows_at(arrivals, i);

        kept += (double) (arrival->at_ns - receiver->begun_ns) * 1e-9 < from_s;
    }
    arrivals->count = kept;
    for (size_t i = 0; i < tcp->count; i++) {
        struct download_tcp *row = rows_at(tcp, i);
        const double at_s = (double) (row->at_ns - sender->begun_ns) * 1e-9;
        static uint64_t before_bytes;

        if (at_s < from_s) {
            before_bytes = row->acked_bytes;
            continue;
        }
        row->sacked_segments =
            (row->acked_bytes - before_bytes) / row->segment_bytes;
        row->acked_bytes = before_bytes;
    }
}

static void what_tcp_tells_to_have_come_behind_a_lost_one_counts(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account sender;
    struct exchange_account receiver;

    tcp_model_run(&fixture->model, &sender, &receiver);
    hold_and_tell(&sender, &receiver, 25);
    add_accounts(fixture, &sender, &receiver);
    reduced_run_reduce(&fixture->run);
    assert_int_equal(fixture->run.reduction.shortfalls.count, 0);
}

/* As slow start leaves it when it overflows a long queue: for seconds TCP sends
 * but repeats, and hears of each segment that comes. */
static void a_hold_in_which_tcp_hears_all_the_time_is_no_outage(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.air.end_count = 6;
    add_pings(fixture);
    tcp_model_run(&fixture->model, &sender, &receiver);
    for (size_t i = 0; i < receiver.series[0].count; i++) {
        struct download_arrival *arrival = rows_at(&receiver.series[0], i);
        const double at_s =
            (double) (arrival->at_ns - receiver.begun_ns) * 1e-9;

        if (at_s > 10 && at_s < 22)
            arrival->at_ns = receiver.begun_ns + 22 * NS_PER_S;
    }
    add_accounts(fixture, &sender, &receiver);
    assert_true(explained(fixture)->part_bps[PART_OUTAGE] == 0);
}

static void a_hold_in_which_new_data_went_out_is_no_outage(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.tells_less = true;
    fixture->model.air.end_count = 6;
    add_pings(fixture);
    add_held_download(fixture, 10, 16, 18);
    assert_true(explained(fixture)->part_bps[PART_OUTAGE] == 0);
}

static void an_outage_at_the_end_is_one_too(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.outages[0].from_ns = 32 * NS_PER_S;
    fixture->model.outages[0].to_ns = 45 * NS_PER_S;
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_OUTAGE);
}

static void nothing_for_long_is_an_outage(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.outages[0].from_ns = 12 * NS_PER_S;
    fixture->model.outages[0].to_ns = 22 * NS_PER_S;
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_OUTAGE);
    /* TCP's back-off makes it longer than it was. */
    assert_true(shortfall->part_bps[PART_OUTAGE]
                > 0.2 * shortfall->expected_bps);
    assert_true(shortfall->part_bps[PART_OUTAGE]
                < 0.6 * shortfall->expected_bps);
}

/* While nothing crosses, 1.5 s long what a window still takes, and three
 * segments later, to try. */
static void send_into_outage(struct exchange_account *sender, double from_s)
{
    struct rows *tcp = &sender->series[1];
    uint64_t more_bytes = 0;

    for (size_t i = 0; i < tcp->count; i++) {
        struct download_tcp *row = rows_at(tcp, i);
        const double at_s =
            (double) (row->at_ns - sender->begun_ns) * 1e-9 - from_s;

        if (at_s > 0 && at_s < 1.5)
            more_bytes += 6 * row->segment_bytes;
        else if (at_s > 3 && at_s < 3.75)
            more_bytes += row->segment_bytes;
        row->sent_bytes += more_bytes;
    }
}

static void what_the_window_takes_in_an_outage_does_not_hide_it(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.tells_less = true;
    fixture->model.outages[0].from_ns = 12 * NS_PER_S;
    fixture->model.outages[0].to_ns = 18 * NS_PER_S;
    tcp_model_run(&fixture->model, &sender, &receiver);
    send_into_outage(&sender, 12);
    add_accounts(fixture, &sender, &receiver);
    assert_int_equal(explained(fixture)->dominant, PART_OUTAGE);
}

/* A long queue: round trips vary by seconds, and the window takes for seconds
 * what nobody hears. */
static void a_long_queue_does_not_hide_an_outage(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.tells_less = true;
    fixture->model.outages[0].from_ns = 14 * NS_PER_S;
    fixture->model.outages[0].to_ns = 26 * NS_PER_S;
    tcp_model_run(&fixture->model, &sender, &receiver);
    send_into_outage(&sender, 18);
    for (size_t i = 0; i < sender.series[1].count; i++) {
        struct download_tcp *row = rows_at(&sender.series[1], i);

        row->rtt_variation_us = 2000000;
    }
    add_accounts(fixture, &sender, &receiver);
    assert_int_equal(explained(fixture)->dominant, PART_OUTAGE);
}

static void a_hold_before_an_outage_does_not_hide_it(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.tells_less = true;
    fixture->model.outages[0].from_ns = 14 * NS_PER_S;
    fixture->model.outages[0].to_ns = 22 * NS_PER_S;
    add_held_download(fixture, 10, 10, 22);
    assert_int_equal(explained(fixture)->dominant, PART_OUTAGE);
}

static void each_silence_of_tcp_is_an_outage(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.outages[0].from_ns = 8 * NS_PER_S;
    fixture->model.outages[0].to_ns = 11 * NS_PER_S;
    fixture->model.outages[1].from_ns = 28 * NS_PER_S;
    fixture->model.outages[1].to_ns = 31 * NS_PER_S;
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_OUTAGE);
    assert_non_null(strstr(shortfall->sentence, "outages (2, "));
}

static void a_queue_that_overflows_does_not_hide_outages(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.air.queue_bytes = 8000;
    fixture->model.outages[0].from_ns = 15 * NS_PER_S;
    fixture->model.outages[0].to_ns = 21 * NS_PER_S;
    fixture->model.outages[1].from_ns = 30 * NS_PER_S;
    fixture->model.outages[1].to_ns = 32 * NS_PER_S;
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_OUTAGE);
}

static void a_small_receive_window_is_found(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.receiver_window_bytes = 1448;
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_RECEIVER_WINDOW);
}

static void a_small_send_buffer_is_found(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.send_buffer_bytes = 1448;
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_SEND_BUFFER);
}

static void a_sender_with_nothing_to_send_is_no_outage(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.feed_on_ns = 2 * NS_PER_S;
    fixture->model.feed_off_ns = 8 * NS_PER_S;
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_SENDER_IDLE);
    assert_true(shortfall->part_bps[PART_OUTAGE] == 0);
}

static void losses_are_found_by_what_is_sent_again(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.loss_ratio = 0.25;
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_true(shortfall->dominant == PART_REPEATS
                || shortfall->dominant == PART_LOSS_WINDOW);
}

static void set_reordering(struct fixture *fixture)
{
    fixture->model.air.faults = (struct faults_config){
        .loss_burst = (double) NAN,
        .reordering_ratio = 0.15,
        .reordering_by_ns = 3 * NS_PER_S,
    };
}

/* TCP takes what is overtaken for lost, and the receiver tells it better. */
static void packets_that_overtake_each_other_are_no_losses(void **state)
{
    struct fixture *fixture = *state;

    set_reordering(fixture);
    add_pings(fixture);
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_NEEDLESS);
    assert_non_null(strstr(shortfall->sentence, "had come already"));
    assert_true(shortfall->part_bps[PART_LONGER_CYCLE] == 0);
}

/* Every fourth echo comes a second late, and later ones overtake it. */
static void add_overtaken_pings(struct fixture *fixture)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 5 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;
    struct exchange_account answerer;

    echo_model_run(&fixture->model, COUNT_OF(rtts_ns), 0.4, rtts_ns);
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    for (size_t i = 0; i < prober.series[0].count; i += 4) {
        struct ping_probe *probe = rows_at(&prober.series[0], i);

        probe->rtt_ns += 3 * NS_PER_S;
        probe->received_ns += 3 * NS_PER_S;
    }
    made_answerer(&answerer);
    reduced_run_add(&fixture->run,
                    &(struct made_exchange){ .kind = &ping_kind,
                                             .round = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = &spec },
                    &prober, &answerer);
}

static void overtaken_echoes_are_no_longer_cycle(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.loss_ratio = 0.25;
    add_download(fixture);
    fixture->model.loss_ratio = 0;
    add_overtaken_pings(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_true(shortfall->dominant == PART_REPEATS
                || shortfall->dominant == PART_LOSS_WINDOW);
    assert_true(shortfall->part_bps[PART_LONGER_CYCLE] == 0);
}

static void what_came_twice_on_the_way_hides_no_losses(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.loss_ratio = 0.25;
    tcp_model_run(&fixture->model, &sender, &receiver);
    for (size_t i = 0; i < sender.series[1].count; i++) {
        struct download_tcp *row = rows_at(&sender.series[1], i);

        row->needless_count =
            2 * (row->repeated_bytes / row->segment_bytes + 1);
    }
    add_accounts(fixture, &sender, &receiver);
    assert_int_not_equal(explained(fixture)->dominant, PART_NEEDLESS);
}

static void more_stations_are_a_longer_cycle(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.air.end_count = 9;
    add_pings(fixture);
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_LONGER_CYCLE);
}

static void add_counter(struct rows *readings, int moment, const char *name,
                        double value)
{
    struct radio_reading *reading = rows_add(readings);

    reading->moment = moment;
    reading->value = value;
    (void) snprintf(reading->name, sizeof(reading->name), "%s", name);
    (void) snprintf(reading->text, sizeof(reading->text), "%.0f", value);
}

static void tell_frames(struct exchange_account *account, const char *name,
                        double before, double after)
{
    account->readings.row_size = sizeof(struct radio_reading);
    add_counter(&account->readings, READING_BEFORE, name, before);
    add_counter(&account->readings, READING_AFTER, name, after);
}

/* A slot limit of a third: idle turns are as short as before, and the queue
 * overflows. */
static void add_short_slots(struct fixture *fixture, double missed_count)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.air.slot_limit_ns /= 3;
    fixture->model.air.queue_bytes = 16000;
    tcp_model_run(&fixture->model, &sender, &receiver);
    tell_frames(&sender, "sent_frames", 1000, 5000);
    tell_frames(&sender, "repeated_frames", 30, 30);
    tell_frames(&receiver, "heard_frames", 900, 4900);
    tell_frames(&receiver, "missed_frames", 10, 10 + missed_count);
    add_accounts(fixture, &sender, &receiver);
}

static void where_the_air_loses_nothing_shorter_slots_are_left(void **state)
{
    struct fixture *fixture = *state;

    add_short_slots(fixture, 0);
    add_pings(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_LONGER_CYCLE);
    assert_non_null(strstr(shortfall->sentence, "shorter transmissions"));
}

static void where_the_air_loses_frames_nothing_else_is_concluded(void **state)
{
    struct fixture *fixture = *state;

    add_short_slots(fixture, 200);
    add_pings(fixture);
    assert_int_not_equal(explained(fixture)->dominant, PART_LONGER_CYCLE);
}

/* Behind the radios, which heard all frames. */
static void what_is_lost_behind_the_radios_has_crossed_the_air(void **state)
{
    struct fixture *fixture = *state;

    add_short_slots(fixture, 0);
    fixture->model.loss_ratio = 0.1;
    add_pings(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_not_equal(shortfall->dominant, PART_LONGER_CYCLE);
    assert_true(shortfall->part_bps[PART_REPEATS] > 0);
}

static void where_packets_are_held_back_nothing_else_is_concluded(void **state)
{
    struct fixture *fixture = *state;

    add_short_slots(fixture, 0);
    add_overtaken_pings(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_UNEXPLAINED);
    assert_int_equal(shortfall->or_else, PART_NEEDLESS);
}

/* A quarter of the frames is lost, so a quarter of those sent are repeats. */
static void add_repairing_download(struct fixture *fixture, bool tells)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    fixture->model.air.repeats_limit_count = 20;
    fixture->model.air.faults = (struct faults_config){
        .loss_ratio = 0.25,
        .loss_burst = (double) NAN,
    };
    tcp_model_run(&fixture->model, &sender, &receiver);
    sender.readings.row_size = sizeof(struct radio_reading);
    for (int moment = READING_BEFORE; tells && moment <= READING_AFTER;
         moment++) {
        const bool is_after = moment == READING_AFTER;

        add_counter(&sender.readings, moment, "sent_frames",
                    is_after ? 5000 : 1000);
        add_counter(&sender.readings, moment, "repeated_frames",
                    is_after ? 1300 : 300);
    }
    add_accounts(fixture, &sender, &receiver);
}

static void what_the_radios_repeat_is_told_by_their_readings(void **state)
{
    struct fixture *fixture = *state;

    add_repairing_download(fixture, true);
    assert_int_equal(explained(fixture)->dominant, PART_RADIO_REPEATS);
}

static void without_readings_nobody_sees_what_the_radios_repeat(void **state)
{
    struct fixture *fixture = *state;

    add_repairing_download(fixture, false);
    assert_int_equal(explained(fixture)->dominant, PART_UNEXPLAINED);
}

static void without_echoes_a_longer_cycle_is_a_guess_and_said_so(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.air.end_count = 9;
    add_download(fixture);
    const struct shortfall *shortfall = explained(fixture);

    assert_int_equal(shortfall->dominant, PART_UNEXPLAINED);
    assert_true(shortfall->or_else >= 0);
}

static void a_slower_step_is_told_by_goodput_and_echoes(void **state)
{
    struct fixture *fixture = *state;
    struct plan_step *steps = fixture->run.made.plan.steps;
    const struct plan_step calm = steps[0];

    /* Stated: the brisk one, whose exchanges are on index 0 here. */
    steps[0] = steps[1];
    steps[1] = calm;
    add_pings(fixture);
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_OTHER_STEP);
}

static void other_traffic_is_told_by_the_counters(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.other_count = 1;
    fixture->model.others[0] = (struct model_other){ 0, 1, 0.3, 900 };
    add_download(fixture);
    assert_int_equal(explained(fixture)->dominant, PART_FOREIGN);
}

static void a_clean_short_download_has_no_foreign_traffic(void **state)
{
    struct fixture *fixture = *state;

    fixture->model.for_ns = 0;
    fixture->model.size_bytes = fixture->spec.size_bytes = 12000;
    fixture->spec.for_ns = 0;
    add_download(fixture);
    reduced_run_reduce(&fixture->run);
    for (size_t i = 0; i < fixture->run.reduction.doubts.count; i++) {
        const struct sentence *doubt =
            rows_at(&fixture->run.reduction.doubts, i);

        assert_null(strstr(doubt->text, "other traffic"));
    }
}

/* --- what doubts take away ------------------------------------------------ */

static const struct finding *steady_of(const struct fixture *fixture)
{
    for (size_t i = 0; i < fixture->run.reduction.findings.count; i++) {
        const struct finding *finding =
            rows_at(&fixture->run.reduction.findings, i);

        if (strcmp(finding->measure, "goodput_steady") == 0)
            return finding;
    }
    fail_msg("no steady goodput");
    return rows_at(&fixture->run.reduction.findings, 0);
}

static void add_spoiled(struct fixture *fixture, uint64_t slept_ns,
                        const char *note)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    tcp_model_run(&fixture->model, &sender, &receiver);
    receiver.suspended_ns = slept_ns;
    made_run_add(&fixture->run.made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .round = 1,
                                          .plan_index = 1,
                                          .from = "mill",
                                          .to = "quay",
                                          .spec = &fixture->spec,
                                          .from_account = &sender,
                                          .to_account = &receiver,
                                          .note = note });
    account_clear(&sender);
    account_clear(&receiver);
}

static void without_a_doubt_the_verdict_stands(void **state)
{
    struct fixture *fixture = *state;

    add_spoiled(fixture, 0, "a note of no weight");
    reduced_run_reduce(&fixture->run);
    assert_int_equal(steady_of(fixture)->verdict, VERDICT_MEETS);
}

static void a_computer_that_slept_leaves_no_verdict(void **state)
{
    struct fixture *fixture = *state;

    add_spoiled(fixture, 3 * NS_PER_S, NULL);
    reduced_run_reduce(&fixture->run);
    assert_int_equal(steady_of(fixture)->verdict, VERDICT_UNDECIDED);
    assert_non_null(strstr(steady_of(fixture)->why, "slept"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
        TEST(a_link_that_meets_gets_no_cause),
        TEST(nothing_for_long_is_an_outage),
        TEST(what_a_lost_segment_holds_back_at_the_end_has_crossed),
        TEST(what_tcp_tells_to_have_come_behind_a_lost_one_counts),
        TEST(a_hold_in_which_tcp_hears_all_the_time_is_no_outage),
        TEST(a_hold_in_which_new_data_went_out_is_no_outage),
        TEST(an_outage_at_the_end_is_one_too),
        TEST(what_the_window_takes_in_an_outage_does_not_hide_it),
        TEST(a_long_queue_does_not_hide_an_outage),
        TEST(a_hold_before_an_outage_does_not_hide_it),
        TEST(each_silence_of_tcp_is_an_outage),
        TEST(a_queue_that_overflows_does_not_hide_outages),
        TEST(a_small_receive_window_is_found),
        TEST(a_small_send_buffer_is_found),
        TEST(a_sender_with_nothing_to_send_is_no_outage),
        TEST(losses_are_found_by_what_is_sent_again),
        TEST(packets_that_overtake_each_other_are_no_losses),
        TEST(overtaken_echoes_are_no_longer_cycle),
        TEST(what_came_twice_on_the_way_hides_no_losses),
        TEST(more_stations_are_a_longer_cycle),
        TEST(where_the_air_loses_nothing_shorter_slots_are_left),
        TEST(where_the_air_loses_frames_nothing_else_is_concluded),
        TEST(what_is_lost_behind_the_radios_has_crossed_the_air),
        TEST(where_packets_are_held_back_nothing_else_is_concluded),
        TEST(what_the_radios_repeat_is_told_by_their_readings),
        TEST(without_readings_nobody_sees_what_the_radios_repeat),
        TEST(without_echoes_a_longer_cycle_is_a_guess_and_said_so),
        TEST(a_slower_step_is_told_by_goodput_and_echoes),
        TEST(other_traffic_is_told_by_the_counters),
        TEST(a_clean_short_download_has_no_foreign_traffic),
        TEST(without_a_doubt_the_verdict_stands),
        TEST(a_computer_that_slept_leaves_no_verdict),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
