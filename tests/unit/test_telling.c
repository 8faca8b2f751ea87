/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/telling.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

/* An exchange of two ends, and the accounts that they gave. */
struct told {
    struct plan_exchange planned;
    struct ordered_exchange exchange;
    struct exchange_account to, from;
    const struct exchange_account *accounts[2]; /* as the parts: to, from */
    char text[256];
};

static void make(struct told *told, const struct kind *kind)
{
    *told =
        (struct told){ .planned = { .kind = kind },
                       .exchange = { .part_count = 2, .condition = "idle" } };
    told->exchange.planned = &told->planned;
    struct exchange_order *to = &told->exchange.parts[0].order;
    struct exchange_order *from = &told->exchange.parts[1].order;
    (void) snprintf(to->part, NAME_SIZE, "%s", kind->to_part);
    (void) snprintf(to->own_name, NAME_SIZE, "dale");
    (void) snprintf(from->part, NAME_SIZE, "%s", kind->from_part);
    (void) snprintf(from->own_name, NAME_SIZE, "hill");
    account_init(&told->to, kind);
    account_init(&told->from, kind);
    told->to.state = told->from.state = ACCOUNT_DONE;
    told->accounts[0] = &told->to;
    told->accounts[1] = &told->from;
}

static enum display_tone tell(struct told *told)
{
    return telling_of(&told->exchange, told->accounts, told->text,
                      sizeof(told->text));
}

static void clear(struct told *told)
{
    account_clear(&told->to);
    account_clear(&told->from);
}

/* Round trips of 1, 2, ... ms for the answered ones, the rest lost. */
static void add_probes(struct told *told, uint64_t sent, uint64_t answered)
{
    struct ping_outcome *outcome =
        (struct ping_outcome *) told->from.outcome.bytes;

    outcome->sent_count = sent;
    outcome->answered_count = answered;
    for (uint64_t i = 0; i < sent; i++) {
        struct ping_probe *probe = rows_add(&told->from.series[0]);

        probe->state = i < answered ? PROBE_ANSWERED : PROBE_LOST;
        probe->rtt_ns = i < answered ? (i + 1) * NS_PER_MS : 0;
    }
}

static void the_half_of_a_ping_counts_the_lost_as_infinite(void **state)
{
    static const struct {
        uint64_t sent, answered;
        const char *text;
        enum display_tone tone;
    } cases[] = {
        { 5, 5, "5 of 5 answered, half within 3.00 ms", TONE_GOOD },
        { 4, 2, "2 of 4 answered, half within 2.00 ms", TONE_DOUBT },
        { 5, 2, "2 of 5 answered", TONE_DOUBT },
        { 3, 0, "0 of 3 answered", TONE_BAD },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct told told;

        make(&told, &ping_kind);
        add_probes(&told, cases[i].sent, cases[i].answered);
        assert_int_equal(tell(&told), cases[i].tone);
        assert_string_equal(told.text, cases[i].text);
        clear(&told);
    }
}

/* Away for 10 ms, 3 of them at the reflector. */
static void
the_round_trip_of_a_timing_is_without_the_reflectors_time(void **state)
{
    static const struct timing_probe probe = {
        .state = PROBE_ANSWERED,
        .sent_ns = 1000,
        .received_ns = 1000 + 10 * NS_PER_MS,
        .arrived_unix_ns = 500,
        .replied_unix_ns = 500 + 3 * NS_PER_MS,
    };
    struct told told;

    (void) state;
    make(&told, &timing_kind);
    struct timing_outcome *outcome =
        (struct timing_outcome *) told.from.outcome.bytes;
    outcome->sent_count = 2;
    outcome->answered_count = 1;
    *(struct timing_probe *) rows_add(&told.from.series[0]) = probe;
    (void) rows_add(&told.from.series[0]); /* lost */
    assert_int_equal(tell(&told), TONE_DOUBT);
    assert_string_equal(told.text, "1 of 2 answered, half within 7.00 ms");
    clear(&told);
}

static void a_download_is_held_against_what_the_step_should_carry(void **state)
{
    struct told told;

    (void) state;
    make(&told, &download_kind);
    struct download_connection *connection = rows_add(&told.to.series[2]);
    connection->request_ns = 1000000000;
    connection->last_byte_ns = 3000000000;
    ((struct download_outcome *) told.to.outcome.bytes)->content_bytes = 12500;
    told.exchange.parts[0].order.expected_bps = 100e3;
    (void) tell(&told);
    /* 12500 B x 8 / 2 s */
    assert_non_null(
        strstr(told.text, "50.0 kbit/s with start-up, 50 % of the most"));
    /* What the step carries is not for one of several alone. */
    (void) snprintf(told.exchange.condition, sizeof(told.exchange.condition),
                    "beside ping hill > dale");
    (void) tell(&told);
    assert_string_equal(told.text, "50.0 kbit/s with start-up; 12.5 kB");
    (void) snprintf(told.exchange.condition, sizeof(told.exchange.condition),
                    "idle");
    told.exchange.parts[0].order.expected_bps = 0;
    (void) tell(&told);
    assert_null(strstr(told.text, "%"));
    clear(&told);
}

/* Data are fed for so long from second 1 on, and the last comes at that time.
 */
static void tell_timed(struct told *told, const char *url, double for_s,
                       double last_s)
{
    make(told, &download_kind);
    struct exchange_order *order = &told->exchange.parts[0].order;
    struct download_spec *spec = (struct download_spec *) order->spec.bytes;
    struct download_connection *connection = rows_add(&told->to.series[2]);

    order->start_ns = NS_PER_S;
    order->expected_bps = 50e3;
    spec->for_ns = (uint64_t) (for_s * 1e9);
    (void) snprintf(spec->url, sizeof(spec->url), "%s", url);
    connection->request_ns = NS_PER_S + NS_PER_MS;
    connection->last_byte_ns = (uint64_t) (last_s * 1e9);
    ((struct download_outcome *) told->to.outcome.bytes)->content_bytes = 12500;
    (void) tell(told);
}

static void a_timed_download_whose_data_ceased_to_come_says_when(void **state)
{
    struct told told;

    (void) state;
    tell_timed(&told, "", 30, 3.5);
    assert_ptr_equal(strstr(told.text, "nothing more after 2.50 s of 30.0 s; "
                                       "until then 40.0 kbit/s with start-up"),
                     told.text);
    assert_int_equal(tell(&told), TONE_BAD);
    clear(&told);
    /* Within a tenth of the time, or 2 s: the last that was in the queue. */
    tell_timed(&told, "", 30, 28.5);
    assert_null(strstr(told.text, "nothing more"));
    clear(&told);
    tell_timed(&told, "", 5, 4.5);
    assert_null(strstr(told.text, "nothing more"));
    clear(&told);
    /* A web server's file may be over. */
    tell_timed(&told, "http://192.0.2.1/file", 30, 3.5);
    assert_null(strstr(told.text, "nothing more"));
    clear(&told);
    /* By size: it is over when all is there. */
    tell_timed(&told, "", 0, 3.5);
    assert_null(strstr(told.text, "nothing more"));
    clear(&told);
}

/* Confirmed after 1, 2, ... ms. */
static void add_messages(struct exchange_account *account, uint64_t sent,
                         uint64_t confirmed)
{
    struct messages_outcome *outcome =
        (struct messages_outcome *) account->outcome.bytes;

    outcome->sent_count = sent;
    outcome->confirmed_count = confirmed;
    for (uint64_t i = 0; i < sent; i++) {
        struct messages_sent *message = rows_add(&account->series[0]);

        message->handed_ns = NS_PER_S;
        if (i >= confirmed)
            continue;
        message->confirmed_ns = NS_PER_S + (i + 1) * NS_PER_MS;
        message->state = MESSAGE_CONFIRMED;
    }
}

static void messages_are_told_for_both_directions(void **state)
{
    struct told told;

    (void) state;
    make(&told, &messages_kind);
    add_messages(&told.from, 5, 5);
    add_messages(&told.to, 4, 2);
    assert_int_equal(tell(&told), TONE_DOUBT);
    assert_string_equal(told.text,
                        "5 of 5 from hill confirmed, half within 3.00 ms; "
                        "2 of 4 from dale confirmed, half within 2.00 ms");
    told.accounts[0] = NULL;
    (void) tell(&told);
    assert_non_null(strstr(told.text, "3.00 ms; not known yet"));
    clear(&told);
}

static void troubles_are_told_with_the_ends_name(void **state)
{
    struct told told;

    (void) state;
    make(&told, &ping_kind);
    add_probes(&told, 2, 2);
    told.to.state = ACCOUNT_FAILED;
    (void) snprintf(told.to.trouble, sizeof(told.to.trouble), "no socket");
    assert_int_equal(tell(&told), TONE_DOUBT);
    assert_non_null(strstr(told.text, "(dale: no socket)"));
    told.accounts[0] = NULL;
    assert_int_equal(tell(&told), TONE_DOUBT);
    assert_non_null(strstr(told.text, "(dale: its account has not come yet)"));
    told.accounts[1] = NULL;
    assert_int_equal(tell(&told), TONE_DOUBT);
    assert_non_null(strstr(told.text, "not known yet"));
    clear(&told);
}

static void what_is_under_way_is_told_as_its_end_knows_it(void **state)
{
    const uint64_t two_seconds_ns = 2 * NS_PER_S;
    struct exchange_order order = { .kind = "download",
                                    .part = "receiver",
                                    .expected_bps = 50e3 };
    char text[96];

    (void) state;
    /* 10 kB in 2 s are 40 kbit/s: 80 % of 50. */
    telling_live(&order, 10000, two_seconds_ns, text, sizeof(text));
    assert_string_equal(text, "80 % of the most expected");
    order.expected_bps = 0;
    telling_live(&order, 10000, two_seconds_ns, text, sizeof(text));
    assert_non_null(strstr(text, "40"));
    (void) snprintf(order.part, sizeof(order.part), "sender");
    telling_live(&order, 10000, two_seconds_ns, text, sizeof(text));
    assert_non_null(strstr(text, "handed over"));
    (void) snprintf(order.kind, sizeof(order.kind), "ping");
    telling_live(&order, 7, two_seconds_ns, text, sizeof(text));
    assert_string_equal(text, "7 answered so far");
    telling_live(&order, 0, two_seconds_ns, text, sizeof(text));
    assert_string_equal(text, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_half_of_a_ping_counts_the_lost_as_infinite),
        cmocka_unit_test(
            the_round_trip_of_a_timing_is_without_the_reflectors_time),
        cmocka_unit_test(a_download_is_held_against_what_the_step_should_carry),
        cmocka_unit_test(a_timed_download_whose_data_ceased_to_come_says_when),
        cmocka_unit_test(messages_are_told_for_both_directions),
        cmocka_unit_test(troubles_are_told_with_the_ends_name),
        cmocka_unit_test(what_is_under_way_is_told_as_its_end_knows_it),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
