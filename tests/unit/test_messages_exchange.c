/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include "agent/clock.h"
#include "agent/exchanges/messages_frames.h"
#include "agent/sockets.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    FIRST,
    SECOND
};

#define FIXED(value)                                                           \
    {                                                                          \
        .form = SPREAD_FIXED, .mean = (value), .low = (value), .high = (value) \
    }

static struct messages_spec short_spec(void)
{
    return (struct messages_spec){
        .count = 20,
        .gap_ns = { SPREAD_UNIFORM, 10e6, 5e6, 15e6 },
        .size_bytes = { SPREAD_UNIFORM, 110, 20, 200 },
        .wait_ns = 5 * NS_PER_S,
    };
}

static struct exchange_order messages_order(const struct pair *pair, int end,
                                            const struct messages_spec *spec)
{
    struct exchange_order order =
        pair_order(pair, "messages", end == FIRST ? "first" : "second");

    if (end == SECOND) {
        (void) snprintf(order.own_name, sizeof(order.own_name), "field");
        (void) snprintf(order.own_call, sizeof(order.own_call), "Q1FLD");
        (void) snprintf(order.peer_name, sizeof(order.peer_name), "hub");
    }
    memcpy(&order.spec, spec, sizeof(*spec));
    return order;
}

static void arm_both(struct pair *pair, const struct messages_spec *spec)
{
    for (int end = FIRST; end <= SECOND; end++) {
        const struct exchange_order order = messages_order(pair, end, spec);

        assert_int_equal(pair_arm(pair, end, &order, NULL), 0);
    }
}

static struct messages_outcome outcome_of(const struct pair *pair, int end)
{
    struct messages_outcome outcome;

    memcpy(&outcome, &pair->ends[end].account.outcome, sizeof(outcome));
    return outcome;
}

static const struct rows *sent_of(const struct pair *pair, int end)
{
    return &pair->ends[end].account.series[0];
}

static const struct rows *received_of(const struct pair *pair, int end)
{
    return &pair->ends[end].account.series[1];
}

/* What one end says that it sent is what the other says that it read, in order,
 * and each confirmation came after the reading (one clock serves both here). */
static void assert_carried(const struct pair *pair, int from)
{
    const struct rows *sent = sent_of(pair, from);
    const struct rows *received = received_of(pair, !from);

    assert_int_equal(sent->count, received->count);
    for (size_t i = 0; i < sent->count; i++) {
        const struct messages_sent *one = rows_at(sent, i);
        const struct messages_received *other = rows_at(received, i);

        assert_int_equal(one->sequence, i);
        assert_int_equal(other->sequence, i);
        assert_int_equal(one->size_bytes, other->size_bytes);
        assert_int_equal(one->state, MESSAGE_CONFIRMED);
        assert_int_equal(one->duplicates_count, 0);
        assert_true(other->is_in_order);
        assert_true(other->received_ns >= one->handed_ns);
        assert_true(one->confirmed_ns >= other->received_ns);
    }
}

static void assert_done(const struct pair *pair)
{
    for (int end = FIRST; end <= SECOND; end++) {
        assert_string_equal(pair->ends[end].account.trouble, "");
        assert_int_equal(pair->ends[end].account.state, ACCOUNT_DONE);
    }
}

/* --- both ways ----------------------------------------------------------- */

static void assert_all_confirmed(struct pair *pair, int opener)
{
    struct messages_spec spec = short_spec();

    spec.opener = opener;
    arm_both(pair, &spec);
    pair_run(pair);
    assert_done(pair);
    for (int end = FIRST; end <= SECOND; end++) {
        const struct messages_outcome outcome = outcome_of(pair, end);

        assert_carried(pair, end);
        assert_int_equal(outcome.sent_count, spec.count);
        assert_int_equal(outcome.confirmed_count, spec.count);
        assert_int_equal(outcome.unconfirmed_count, 0);
        assert_int_equal(outcome.received_count, spec.count);
        assert_int_equal(outcome.out_of_order_count, 0);
        assert_true(outcome.opened_ns > 0);
        assert_int_equal(outcome.stream_bytes_out,
                         outcome_of(pair, !end).stream_bytes_in);
        assert_int_equal(outcome.local_port, outcome_of(pair, !end).peer_port);
    }
}

static void every_message_is_confirmed_both_ways(void **state)
{
    assert_all_confirmed(*state, MESSAGES_OPENER_FIRST);
}

static void the_second_end_may_open_as_well(void **state)
{
    assert_all_confirmed(*state, MESSAGES_OPENER_SECOND);
}

static void sizes_and_gaps_follow_from_the_seed(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();

    arm_both(pair, &spec);
    pair_run(pair);
    for (int end = FIRST; end <= SECOND; end++) {
        struct messages_schedule schedule;

        messages_schedule_init(&schedule, &spec, 4711, end == SECOND);
        for (size_t i = 0; i < sent_of(pair, end)->count; i++) {
            const struct messages_sent *row = rows_at(sent_of(pair, end), i);

            assert_false(schedule.is_over);
            assert_int_equal(row->size_bytes, schedule.size_bytes);
            assert_true(row->handed_ns
                        >= outcome_of(pair, end).opened_ns + schedule.at_ns);
            messages_advance(&schedule);
        }
        assert_true(schedule.is_over);
    }
}

static void by_time_it_ends_with_the_last_gap_within_it(void **state)
{
    struct pair *pair = *state;
    struct messages_spec spec = short_spec();
    size_t expected_count = 0;
    struct messages_schedule schedule;

    spec.count = 0;
    spec.for_ns = 300 * NS_PER_MS;
    spec.gap_ns = (struct spread){ SPREAD_EXPONENTIAL, 12e6, 0, 0 };
    messages_schedule_init(&schedule, &spec, 4711, false);
    for (; !schedule.is_over; messages_advance(&schedule))
        expected_count++;
    arm_both(pair, &spec);
    pair_run(pair);
    assert_done(pair);
    assert_true(expected_count > 5);
    assert_int_equal(outcome_of(pair, FIRST).sent_count, expected_count);
}

static void the_largest_and_the_least_messages_go_through(void **state)
{
    (void) state;
    static const double sizes[] = { 1, 65535 };

    for (size_t i = 0; i < COUNT_OF(sizes); i++) {
        struct messages_spec spec = short_spec();
        struct pair pair;

        spec.size_bytes = (struct spread) FIXED(sizes[i]);
        spec.gap_ns = (struct spread) FIXED(1e6);
        pair_open(&pair);
        arm_both(&pair, &spec);
        pair_run(&pair);
        assert_done(&pair);
        assert_carried(&pair, FIRST);
        assert_carried(&pair, SECOND);
        pair_close(&pair);
    }
}

static void over_ipv6_and_tied_to_an_interface_it_goes_as_well(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();

    for (int end = FIRST; end <= SECOND; end++) {
        struct exchange_order order = messages_order(pair, end, &spec);

        (void) snprintf(order.own_address, sizeof(order.own_address), "::1");
        (void) snprintf(order.peer_address, sizeof(order.peer_address), "::1");
        (void) snprintf(order.interface, sizeof(order.interface), "lo");
        assert_int_equal(pair_arm(pair, end, &order, NULL), 0);
    }
    pair_run(pair);
    assert_done(pair);
    assert_carried(pair, FIRST);
}

static void a_request_that_comes_before_the_start_waits_for_it(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();
    struct exchange_order order = messages_order(pair, SECOND, &spec);

    order.start_ns += 300 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, SECOND, &order, NULL), 0);
    const uint64_t start_ns = order.start_ns;
    order = messages_order(pair, FIRST, &spec);
    assert_int_equal(pair_arm(pair, FIRST, &order, NULL), 0);
    pair_run(pair);
    assert_done(pair);
    assert_carried(pair, FIRST);
    assert_true(outcome_of(pair, FIRST).opened_ns >= start_ns);
}

/* --- a peer by hand ------------------------------------------------------ */

/* Accepts or opens a connection, switches, and says what it is told to. */
struct hand {
    uv_poll_t poll;
    uv_timer_t timer;
    int listener, socket;
    const char *says; /* after the switch */
    uint64_t cut_after_ms;
    uint64_t stop_after_ms; /* latest stop; 0: far away */
    char heard[16384];
    size_t heard_bytes;
    bool has_switched, is_watching;
};

static void cut(uv_timer_t *timer)
{
    struct hand *hand = timer->data;

    (void) uv_poll_stop(&hand->poll);
    (void) close(hand->socket);
    hand->socket = -1;
}

static void on_hand_readable(uv_poll_t *poll, int status, int events)
{
    static const char answer[] =
        "HTTP/1.1 101 Switching Protocols\r\nConnection: Upgrade\r\n"
        "Upgrade: bothends-messages\r\n\r\n";
    struct hand *hand = poll->data;
    const ssize_t got =
        recv(hand->socket, hand->heard + hand->heard_bytes,
             sizeof(hand->heard) - 1 - hand->heard_bytes, MSG_DONTWAIT);

    (void) status;
    (void) events;
    if (got <= 0) {
        (void) uv_poll_stop(poll);
        return;
    }
    hand->heard_bytes += (size_t) got;
    hand->heard[hand->heard_bytes] = '\0';
    if (hand->has_switched || !strstr(hand->heard, "\r\n\r\n"))
        return;
    hand->has_switched = true;
    if (hand->listener >= 0)
        assert_int_equal(send(hand->socket, answer, sizeof(answer) - 1, 0),
                         sizeof(answer) - 1);
    if (hand->says)
        assert_int_equal(send(hand->socket, hand->says, strlen(hand->says), 0),
                         strlen(hand->says));
    if (hand->cut_after_ms)
        (void) uv_timer_start(&hand->timer, cut, hand->cut_after_ms, 0);
}

static void watch(struct pair *pair, struct hand *hand)
{
    assert_int_equal(uv_poll_init(&pair->loop, &hand->poll, hand->socket), 0);
    hand->poll.data = hand;
    hand->is_watching = true;
    assert_int_equal(uv_poll_start(&hand->poll, UV_READABLE, on_hand_readable),
                     0);
}

static uv_poll_t *listening;

static void on_hand_connectable(uv_poll_t *poll, int status, int events)
{
    struct hand *hand = listening->data;
    struct pair *pair = poll->loop->data;

    (void) status;
    (void) events;
    hand->socket = accept(hand->listener, NULL, NULL);
    assert_true(hand->socket >= 0);
    (void) uv_poll_stop(poll);
    watch(pair, hand);
}

/* Runs the first end against the hand, which answers. */
static void run_against(struct pair *pair, struct hand *hand,
                        const struct messages_spec *spec)
{
    uv_poll_t listen_poll;
    struct exchange_order order = messages_order(pair, FIRST, spec);
    uint16_t port;

    hand->socket = -1;
    hand->listener = pair_silent_listener(&port);
    order.peer_port = port;
    if (hand->stop_after_ms)
        order.stop_ns = order.start_ns + hand->stop_after_ms * NS_PER_MS;
    pair->loop.data = pair;
    assert_int_equal(uv_poll_init(&pair->loop, &listen_poll, hand->listener),
                     0);
    listen_poll.data = hand;
    listening = &listen_poll;
    assert_int_equal(
        uv_poll_start(&listen_poll, UV_READABLE, on_hand_connectable), 0);
    assert_int_equal(uv_timer_init(&pair->loop, &hand->timer), 0);
    hand->timer.data = hand;
    assert_int_equal(pair_arm(pair, FIRST, &order, NULL), 0);
    pair_run(pair);
    uv_close((uv_handle_t *) &listen_poll, NULL);
    uv_close((uv_handle_t *) &hand->timer, NULL);
    if (hand->is_watching)
        uv_close((uv_handle_t *) &hand->poll, NULL);
    (void) uv_run(&pair->loop, UV_RUN_NOWAIT);
    if (hand->socket >= 0)
        (void) close(hand->socket);
    (void) close(hand->listener);
}

static void assert_trouble(const struct pair *pair, int end, int account_state,
                           const char *words)
{
    const struct exchange_account *account = &pair->ends[end].account;

    assert_int_equal(account->state, account_state);
    if (!strstr(account->trouble, words))
        fail_msg("'%s' is not in '%s'", words, account->trouble);
}

static void what_is_not_confirmed_in_time_is_unconfirmed(void **state)
{
    struct messages_spec spec = short_spec();
    struct hand hand = { .says = "end 0 0 Q1FLD\n" };

    spec.count = 5;
    spec.wait_ns = 200 * NS_PER_MS;
    run_against(*state, &hand, &spec);
    const struct pair *pair = *state;
    assert_int_equal(pair->ends[FIRST].account.state, ACCOUNT_DONE);
    assert_int_equal(outcome_of(pair, FIRST).sent_count, 5);
    assert_int_equal(outcome_of(pair, FIRST).unconfirmed_count, 5);
    assert_non_null(strstr(hand.heard, "\r\nUpgrade: bothends-messages\r\n"));
    assert_non_null(strstr(hand.heard, "end 5 0 Q0HUB\n"));
    /* Anybody can read who speaks. */
    assert_non_null(strstr(hand.heard, "message 1 "));
    assert_non_null(strstr(hand.heard, " Q0HUB\nQ0HUB to field, tes"));
}

static void a_silent_peer_is_left_at_the_latest_stop(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();
    uint16_t port;
    const int listener = pair_silent_listener(&port);
    struct exchange_order order = messages_order(pair, FIRST, &spec);

    order.peer_port = port;
    order.stop_ns = order.start_ns + 300 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, FIRST, &order, NULL), 0);
    pair_run(pair);
    assert_trouble(pair, FIRST, ACCOUNT_STOPPED, "latest stop");
    assert_int_equal(outcome_of(pair, FIRST).sent_count, 0);
    (void) close(listener);
}

static void a_peer_that_says_nothing_is_left_at_the_latest_stop(void **state)
{
    struct messages_spec spec = short_spec();
    struct hand hand = { .stop_after_ms = 400 };

    spec.count = 5;
    run_against(*state, &hand, &spec);
    const struct pair *pair = *state;
    assert_trouble(pair, FIRST, ACCOUNT_STOPPED, "latest stop");
    assert_int_equal(outcome_of(pair, FIRST).sent_count, 5);
    assert_int_equal(outcome_of(pair, FIRST).unconfirmed_count, 5);
}

static void both_ends_stop_in_the_middle_when_they_must(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();

    for (int end = FIRST; end <= SECOND; end++) {
        struct exchange_order order = messages_order(pair, end, &spec);

        order.stop_ns = order.start_ns + 120 * NS_PER_MS;
        assert_int_equal(pair_arm(pair, end, &order, NULL), 0);
    }
    pair_run(pair);
    /* Whoever stopped first cut the other off, which may be stopped too. */
    assert_true(pair->ends[FIRST].account.state == ACCOUNT_STOPPED
                || pair->ends[SECOND].account.state == ACCOUNT_STOPPED);
    assert_true(outcome_of(pair, FIRST).sent_count < spec.count);
}

static void
a_connection_that_does_not_open_is_not_waited_for_for_ever(void **state)
{
    struct pair *pair = *state;
    struct messages_spec spec = short_spec();

    spec.wait_ns = 200 * NS_PER_MS;
    const struct exchange_order order = messages_order(pair, SECOND, &spec);
    assert_int_equal(pair_arm(pair, SECOND, &order, NULL), 0);
    pair_run(pair);
    assert_trouble(pair, SECOND, ACCOUNT_FAILED, "not open within 0.2 s");
}

static void
a_connection_lost_in_the_middle_keeps_what_was_measured(void **state)
{
    struct messages_spec spec = short_spec();
    struct hand hand = { .says = "message 0 5 Q1FLD\nhello",
                         .cut_after_ms = 100 };

    spec.count = 1000;
    run_against(*state, &hand, &spec);
    const struct pair *pair = *state;
    assert_trouble(pair, FIRST, ACCOUNT_FAILED, "the connection broke off");
    assert_int_equal(outcome_of(pair, FIRST).received_count, 1);
    assert_true(outcome_of(pair, FIRST).sent_count > 0);
    assert_non_null(strstr(hand.heard, "\nconfirm 0 0 Q0HUB\n"));
}

static void duplicates_and_disorder_are_counted(void **state)
{
    struct messages_spec spec = short_spec();
    struct hand hand = { .says = "message 1 2 Q1FLD\nab"
                                 "message 0 2 Q1FLD\ncdend 2 0 Q1FLD\n" };

    spec.count = 1;
    spec.wait_ns = 100 * NS_PER_MS;
    run_against(*state, &hand, &spec);
    const struct pair *pair = *state;
    assert_int_equal(outcome_of(pair, FIRST).received_count, 2);
    assert_int_equal(outcome_of(pair, FIRST).out_of_order_count, 2);
}

static const struct nonsense_case {
    const char *says, *words;
} nonsense_cases[] = {
    { "massage 1 2 Q1FLD\nab", "found 'massage 1 2 Q1FLD'" },
    { "message one 2 Q1FLD\nab", "found 'message one" },
    { "message 1 65536 Q1FLD\n", "found 'message 1 65536" },
    { "message 99999999999999999999 1 Q1FLD\n", "found 'message 9999" },
    { "confirm 0 5 Q1FLD\nhello", "found 'confirm 0 5" },
    { "confirm 77 0 Q1FLD\n", "confirmed message 77, which was never sent" },
    { "a line that does not end, a line that does not end, a line that does "
      "not end, and on",
      "found 'a line that does" },
    { "\n", "found ''" },
};

static void nonsense_on_the_connection_is_refused_in_words(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(nonsense_cases); i++) {
        const struct messages_spec spec = short_spec();
        struct hand hand = { .says = nonsense_cases[i].says };
        struct pair pair;

        print_message("case %zu\n", i);
        pair_open(&pair);
        run_against(&pair, &hand, &spec);
        assert_trouble(&pair, FIRST, ACCOUNT_FAILED, nonsense_cases[i].words);
        pair_close(&pair);
    }
}

static void an_opener_that_is_refused_says_so(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();
    const struct exchange_order order = messages_order(pair, FIRST, &spec);

    /* Nobody serves that ticket. */
    assert_int_equal(pair_arm(pair, FIRST, &order, NULL), 0);
    pair_run(pair);
    assert_trouble(pair, FIRST, ACCOUNT_FAILED,
                   "answered 'HTTP/1.1 404 Not Found'");
}

static void a_cancelled_exchange_ends_at_once(void **state)
{
    struct pair *pair = *state;
    const struct messages_spec spec = short_spec();
    const struct exchange_order order = messages_order(pair, SECOND, &spec);

    assert_int_equal(pair_arm(pair, SECOND, &order, NULL), 0);
    exchange_cancel(pair->ends[SECOND].exchange);
    pair_run(pair);
    assert_int_equal(pair->ends[SECOND].account.state, ACCOUNT_CANCELLED);
}

/* --- frames -------------------------------------------------------------- */

struct taken {
    struct frame frames[4];
    size_t count;
};

static bool keep_frame(void *owner, const struct frame *frame)
{
    struct taken *taken = owner;

    assert_true(taken->count < 4);
    taken->frames[taken->count++] = *frame;
    return true;
}

static void frames_are_read_in_pieces_of_any_size(void **state)
{
    static const struct frame frames[] = {
        { FRAME_MESSAGE, 12, 57 },
        { FRAME_CONFIRM, 3, 0 },
        { FRAME_MESSAGE, 13, 1 },
        { FRAME_END, 60, 0 },
    };
    const struct exchange_order order = { .own_call = "Q0HUB",
                                          .peer_name = "field" };
    char stream[1024];
    size_t stream_bytes = 0;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(frames); i++)
        stream_bytes += frame_write(&frames[i], &order, stream + stream_bytes);
    for (size_t piece_bytes = 1; piece_bytes <= stream_bytes; piece_bytes++) {
        struct frame_reader reader = { 0 };
        struct taken taken = { 0 };
        struct fault fault = { 0 };

        for (size_t at = 0; at < stream_bytes; at += piece_bytes) {
            const size_t left = stream_bytes - at;

            assert_int_equal(frame_take(&reader, stream + at,
                                        left < piece_bytes ? left : piece_bytes,
                                        keep_frame, &taken, &fault),
                             0);
        }
        assert_int_equal(taken.count, COUNT_OF(frames));
        assert_memory_equal(taken.frames, frames, sizeof(frames));
    }
}

static void the_ends_draw_rows_of_their_own(void **state)
{
    const struct messages_spec spec = short_spec();
    struct messages_schedule first, second;
    size_t same_count = 0;

    (void) state;
    messages_schedule_init(&first, &spec, 4711, false);
    messages_schedule_init(&second, &spec, 4711, true);
    for (int i = 0; i < 100; i++) {
        same_count += first.at_ns == second.at_ns;
        messages_advance(&first);
        messages_advance(&second);
    }
    assert_int_equal(same_count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PAIR_TEST(every_message_is_confirmed_both_ways),
        PAIR_TEST(the_second_end_may_open_as_well),
        PAIR_TEST(sizes_and_gaps_follow_from_the_seed),
        PAIR_TEST(by_time_it_ends_with_the_last_gap_within_it),
        cmocka_unit_test(the_largest_and_the_least_messages_go_through),
        PAIR_TEST(over_ipv6_and_tied_to_an_interface_it_goes_as_well),
        PAIR_TEST(a_request_that_comes_before_the_start_waits_for_it),
        PAIR_TEST(what_is_not_confirmed_in_time_is_unconfirmed),
        PAIR_TEST(a_silent_peer_is_left_at_the_latest_stop),
        PAIR_TEST(a_peer_that_says_nothing_is_left_at_the_latest_stop),
        PAIR_TEST(both_ends_stop_in_the_middle_when_they_must),
        PAIR_TEST(a_connection_that_does_not_open_is_not_waited_for_for_ever),
        PAIR_TEST(a_connection_lost_in_the_middle_keeps_what_was_measured),
        PAIR_TEST(duplicates_and_disorder_are_counted),
        cmocka_unit_test(nonsense_on_the_connection_is_refused_in_words),
        PAIR_TEST(an_opener_that_is_refused_says_so),
        PAIR_TEST(a_cancelled_exchange_ends_at_once),
        cmocka_unit_test(frames_are_read_in_pieces_of_any_size),
        cmocka_unit_test(the_ends_draw_rows_of_their_own),
    };

    return cmocka_run_group_tests_name("messages", tests, NULL, NULL);
}
