/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include "agent/clock.h"
#include "agent/exchanges/identify.h"
#include "agent/sockets.h"

#include <errno.h>
#include <string.h>

/* Linked with --wrap=timerfd_create: the n-th call from now fails. */
int __real_timerfd_create(int clock, int flags);
int __wrap_timerfd_create(int clock, int flags);
static int calls_until_failure = -1;

int __wrap_timerfd_create(int clock, int flags)
{
    if (calls_until_failure >= 0 && calls_until_failure-- == 0) {
        errno = EMFILE;
        return -1;
    }
    return __real_timerfd_create(clock, flags);
}

/* An answerer waits and does nothing: what is seen is common to all kinds. */
static struct exchange_order quiet_order(const struct pair *pair,
                                         uint64_t for_ns)
{
    const struct ping_spec spec = {
        .count = 1,
        .gap_ns = { SPREAD_FIXED, 1e9, 1e9, 1e9 },
        .wait_ns = for_ns,
    };
    struct exchange_order order = pair_order(pair, "ping", "answerer");

    memcpy(&order.spec, &spec, sizeof(spec));
    return order;
}

/* --- arming -------------------------------------------------------------- */

struct arming_case {
    const char *what;
    void (*spoil)(struct exchange_order *order);
    int code;
    const char *words;
};

static void name_no_kind(struct exchange_order *order)
{
    (void) snprintf(order->kind, sizeof(order->kind), "wire-dance");
}

static void name_no_part(struct exchange_order *order)
{
    (void) snprintf(order->part, sizeof(order->part), "dancer");
}

static void name_a_host(struct exchange_order *order)
{
    (void) snprintf(order->peer_address, sizeof(order->peer_address),
                    "field.example");
}

static void take_a_foreign_address(struct exchange_order *order)
{
    (void) snprintf(order->own_address, sizeof(order->own_address),
                    "192.0.2.77");
}

static void take_the_other_family(struct exchange_order *order)
{
    (void) snprintf(order->own_address, sizeof(order->own_address), "::1");
}

static void take_no_interface(struct exchange_order *order)
{
    (void) snprintf(order->interface, sizeof(order->interface), "radio9");
}

static void contradict(struct exchange_order *order)
{
    struct ping_spec spec;

    memcpy(&spec, &order->spec, sizeof(spec));
    spec.for_ns = 1;
    memcpy(&order->spec, &spec, sizeof(spec));
}

static void start_long_ago(struct exchange_order *order)
{
    order->start_ns = clock_now_ns() - 6 * NS_PER_S;
}

static void stop_before_the_start(struct exchange_order *order)
{
    order->stop_ns = order->start_ns;
}

static const struct arming_case arming_cases[] = {
    { "kind", name_no_kind, UV_EINVAL, "no kind 'wire-dance'" },
    { "part", name_no_part, UV_EINVAL, "a part 'dancer'" },
    { "peer_address", name_a_host, UV_EINVAL, "peer_address: found" },
    { "own_address", take_a_foreign_address, UV_EADDRNOTAVAIL,
      "192.0.2.77 is not an address of this computer" },
    { "family", take_the_other_family, UV_EINVAL, "expected an IPv4 address" },
    { "interface", take_no_interface, UV_ENODEV, "there is no 'radio9'" },
    { "spec", contradict, UV_EINVAL, "found both count and for" },
    { "start_ns", start_long_ago, UV_EINVAL, "start_ns: found" },
    { "stop_ns", stop_before_the_start, UV_EINVAL, "stop_ns: found" },
};

static void a_wrong_order_is_refused_in_words(void **state)
{
    struct pair *pair = *state;

    for (size_t i = 0; i < COUNT_OF(arming_cases); i++) {
        const struct arming_case *one = &arming_cases[i];
        struct exchange_order order = quiet_order(pair, NS_PER_S);
        struct fault fault = { 0 };

        print_message("case %s\n", one->what);
        one->spoil(&order);
        assert_int_equal(pair_arm(pair, 0, &order, &fault), one->code);
        assert_int_equal(fault.code, one->code);
        assert_non_null(strstr(fault.text, one->words));
        assert_null(pair->ends[0].exchange);
    }
}

static void a_way_by_another_interface_is_refused(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_S);
    struct fault fault = { 0 };
    uv_interface_address_t *addresses = NULL;
    int count = 0;

    (void) uv_interface_addresses(&addresses, &count);
    for (int i = 0; i < count && !order.interface[0]; i++) {
        if (!addresses[i].is_internal)
            (void) snprintf(order.interface, sizeof(order.interface), "%s",
                            addresses[i].name);
    }
    uv_free_interface_addresses(addresses, count);
    if (!order.interface[0]) {
        print_message("only loopback here\n");
        skip();
    }
    assert_int_equal(pair_arm(pair, 0, &order, &fault), UV_EHOSTUNREACH);
    assert_non_null(strstr(fault.text, "there is no way to 127.0.0.1 by "));
}

static void an_order_tied_to_the_right_interface_is_carried_out(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_MS);

    (void) snprintf(order.interface, sizeof(order.interface), "lo");
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_string_equal(pair->ends[0].account.trouble, "");
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_int_equal(pair->ends[0].account.identification_count, 2);
    while (pair->heard_count < 2)
        (void) uv_run(&pair->loop, UV_RUN_ONCE);
}

static void
whichever_timer_is_missing_it_is_told_and_nothing_is_left(void **state)
{
    struct pair *pair = *state;
    int failure = 0;

    for (;; failure++) {
        struct exchange_order order = quiet_order(pair, NS_PER_S);
        struct fault fault = { 0 };

        (void) snprintf(order.part, sizeof(order.part), "prober");
        calls_until_failure = failure;
        if (pair_arm(pair, 0, &order, &fault) != 0) {
            assert_int_equal(fault.code, UV_EMFILE);
            assert_non_null(strstr(fault.text, "too many open files"));
            continue;
        }
        pair_run(pair);
        if (pair->ends[0].account.state == ACCOUNT_DONE)
            break;
        assert_int_equal(pair->ends[0].account.state, ACCOUNT_FAILED);
        assert_non_null(
            strstr(pair->ends[0].account.trouble, "too many open files"));
        account_clear(&pair->ends[0].account);
    }
    calls_until_failure = -1;
    /* Silence, start, stop, identification, probing. */
    assert_int_equal(failure, 5);
}

/* --- times --------------------------------------------------------------- */

static void it_begins_at_its_start_and_not_before(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_MS);

    order.identify_to[0] = '\0';
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    assert_int_equal(exchange_state(pair->ends[0].exchange), ACCOUNT_ARMED);
    pair_run(pair);

    const struct exchange_account *account = &pair->ends[0].account;
    assert_int_equal(account->state, ACCOUNT_DONE);
    assert_true(account->begun_ns >= order.start_ns);
    assert_true(account->ended_ns > account->begun_ns);
    assert_string_equal(account->id, order.id);
    assert_string_equal(account->kind, "ping");
    assert_string_equal(account->part, "answerer");
    assert_string_equal(account->interface, "lo");
    assert_string_equal(account->interface_after, "lo");
    assert_string_equal(account->source_address, "127.0.0.1");
    assert_string_equal(account->source_address_after, "127.0.0.1");
    assert_string_equal(account->gateway, "");
    assert_true(account->mtu_bytes >= 1280);
    assert_int_equal(account->suspended_ns, 0);
    assert_int_equal(account->identification_count, 0);
}

static void a_start_just_past_begins_at_once(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_MS);

    order.start_ns = clock_now_ns() - 4 * NS_PER_S;
    const uint64_t armed_ns = clock_now_ns();
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_true(pair->ends[0].account.begun_ns >= armed_ns);
}

static void begin_and_put_off(struct pair *pair,
                              const struct exchange_order *order,
                              int expected_status)
{
    assert_int_equal(pair_arm(pair, 0, order, NULL), 0);
    struct exchange *exchange = pair->ends[0].exchange;
    const uint64_t start_ns = order->start_ns + 200 * NS_PER_MS;
    assert_int_equal(
        exchange_reschedule(exchange, start_ns, start_ns + 20 * NS_PER_S), 0);
    assert_int_equal(exchange_reschedule(exchange, start_ns, start_ns),
                     UV_EINVAL);
    while (exchange_state(exchange) == ACCOUNT_ARMED)
        (void) uv_run(&pair->loop, UV_RUN_ONCE);
    const uint64_t later_ns = clock_now_ns() + 300 * NS_PER_MS;
    assert_int_equal(
        exchange_reschedule(exchange, later_ns, later_ns + 20 * NS_PER_S),
        expected_status);
    assert_int_equal(exchange_state(exchange),
                     expected_status ? ACCOUNT_RUNNING : ACCOUNT_ARMED);
    pair_run(pair);
    assert_true(pair->ends[0].account.begun_ns
                >= (expected_status ? start_ns : later_ns));
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
}

static void it_can_be_put_off_until_it_has_begun(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_MS);

    (void) snprintf(order.part, sizeof(order.part), "prober");
    begin_and_put_off(pair, &order, UV_EALREADY);
}

/* The answer to its order was lost, and so the others begin later. */
static void who_only_answers_begins_again(void **state)
{
    struct pair *pair = *state;
    const struct exchange_order order = quiet_order(pair, NS_PER_MS);

    begin_and_put_off(pair, &order, 0);
}

static void cancelled_before_the_start_it_never_begins(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, NS_PER_S);

    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    exchange_cancel(pair->ends[0].exchange);
    exchange_cancel(pair->ends[0].exchange); /* twice does no harm */
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_CANCELLED);
    assert_int_equal(pair->ends[0].account.begun_ns, 0);
    assert_int_equal(pair->ends[0].account.identification_count, 0);
}

static void the_latest_stop_ends_it(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, 15 * NS_PER_S);

    order.stop_ns = order.start_ns + 100 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_STOPPED);
    assert_true(pair->ends[0].account.ended_ns >= order.stop_ns);
    assert_non_null(strstr(pair->ends[0].account.trouble, "latest stop time"));
}

/* --- identification ------------------------------------------------------ */

static void it_identifies_at_begin_at_each_interval_and_at_the_end(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, 15 * NS_PER_S);

    pair->is_deaf = true;
    order.identify_every_ns = 100 * NS_PER_MS;
    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    while (pair->heard_count < 4)
        (void) uv_run(&pair->loop, UV_RUN_ONCE);
    exchange_cancel(pair->ends[0].exchange);
    pair_run(pair);
    while (pair->heard_count < pair->ends[0].account.identification_count)
        (void) uv_run(&pair->loop, UV_RUN_ONCE);

    const struct exchange_account *account = &pair->ends[0].account;
    const char *last = pair->heard[(pair->heard_count - 1) % 3];
    static const char end[] = "bothends id r1-pair end de Q0HUB, test "
                              "transmission";
    static const char during[] = "bothends id r1-pair during de Q0HUB, ";
    /* Begin, end, and no more between than there were intervals, which count
     * from the start, however late it began. */
    assert_in_range(
        account->identification_count, 5,
        2 + (account->ended_ns - order.start_ns) / order.identify_every_ns);
    assert_memory_equal(last, end, sizeof(end) - 1);
    assert_memory_equal(pair->heard[(pair->heard_count - 2) % 3], during,
                        sizeof(during) - 1);
    assert_true(account->identification_bytes
                > account->identification_count * (28 + sizeof(during)));
}

static void only_the_peers_end_of_this_exchange_ends_it(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, 15 * NS_PER_S);
    static const struct {
        const char *from, *text;
    } strangers[] = {
        { "127.0.0.2", "bothends id r1-pair end de Q1, x" },
        { "127.0.0.1", "bothends id r1-pair begin de Q1, x" },
        { "127.0.0.1", "bothends id r1-pair during de Q1, x" },
        { "127.0.0.1", "bothends id r1-pai end de Q1, x" },
        { "127.0.0.1", "bothends id r1-pair-2 end de Q1, x" },
        { "127.0.0.1", "bothends id r1-pair" },
        { "127.0.0.1", "" },
    };
    struct sockaddr_storage from;

    assert_int_equal(pair_arm(pair, 0, &order, NULL), 0);
    struct exchange *exchange = pair->ends[0].exchange;
    while (exchange_state(exchange) == ACCOUNT_ARMED)
        (void) uv_run(&pair->loop, UV_RUN_ONCE);
    for (size_t i = 0; i < COUNT_OF(strangers); i++) {
        assert_int_equal(sockets_parse(strangers[i].from, 9, &from, NULL), 0);
        exchange_heard(exchange, (const struct sockaddr *) &from,
                       strangers[i].text, strlen(strangers[i].text));
        assert_false(exchange_peer_has_ended(exchange));
    }
    static const char end[] = "bothends id r1-pair end de Q1FLD, test";
    assert_int_equal(sockets_parse("127.0.0.1", 9, &from, NULL), 0);
    exchange_heard(exchange, (const struct sockaddr *) &from, end,
                   sizeof(end) - 1);
    assert_true(exchange_peer_has_ended(exchange));
    pair_run(pair);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
}

static void an_identification_reads_as_it_was_written(void **state)
{
    const struct pair *pair = *state;
    struct exchange_order order = quiet_order(pair, 1);
    char text[IDENTIFY_TEXT_SIZE], id[ID_SIZE];

    for (enum identify_moment moment = IDENTIFY_BEGIN; moment <= IDENTIFY_END;
         moment++) {
        enum identify_moment read;
        const size_t bytes = identify_write(&order, moment, text);

        assert_int_equal(identify_read(text, bytes, id, &read), 0);
        assert_int_equal(read, moment);
        assert_string_equal(id, order.id);
    }
    /* Without a call sign the end's name stands in its place. */
    order.own_call[0] = '\0';
    (void) identify_write(&order, IDENTIFY_BEGIN, text);
    assert_non_null(strstr(text, " de hub, test transmission"));
    memset(order.id, 'i', sizeof(order.id) - 1);
    memset(order.own_call, 'Q', sizeof(order.own_call) - 1);
    assert_true(identify_write(&order, IDENTIFY_DURING, text) < sizeof(text));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PAIR_TEST(a_wrong_order_is_refused_in_words),
        PAIR_TEST(a_way_by_another_interface_is_refused),
        PAIR_TEST(an_order_tied_to_the_right_interface_is_carried_out),
        PAIR_TEST(whichever_timer_is_missing_it_is_told_and_nothing_is_left),
        PAIR_TEST(it_begins_at_its_start_and_not_before),
        PAIR_TEST(a_start_just_past_begins_at_once),
        PAIR_TEST(it_can_be_put_off_until_it_has_begun),
        PAIR_TEST(who_only_answers_begins_again),
        PAIR_TEST(cancelled_before_the_start_it_never_begins),
        PAIR_TEST(the_latest_stop_ends_it),
        PAIR_TEST(it_identifies_at_begin_at_each_interval_and_at_the_end),
        PAIR_TEST(only_the_peers_end_of_this_exchange_ends_it),
        PAIR_TEST(an_identification_reads_as_it_was_written),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
