/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/client.h"

#include "agent/wire/messages.h"
#include "tests/support/far_end.h"

#include <bothends/draw.h>
#include <bothends/kinds.h>
#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

#define TIMEOUT_MS  20000 /* never reached on loopback */
#define SHORT_MS    300   /* to be reached */
#define DEADLINE_MS 50000

struct fixture {
    uv_loop_t loop;
    uv_timer_t deadline;
    struct wire_key key;
    struct far_end far;
    struct client *client;
    struct client_target *target;
    bool is_closed;
    /* The latest answer. */
    unsigned done_count;
    struct client_answer answer;
    json_t *json;
};

static void on_deadline(uv_timer_t *timer)
{
    (void) timer;
    fail_msg("nothing happened within %d ms", DEADLINE_MS);
}

static struct client_target *target_for(struct fixture *fixture,
                                        const struct wire_key *key)
{
    return client_add_target(fixture->client, "skerry", "127.0.0.1",
                             fixture->far.port, key, "skerry.key");
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    struct fault fault = { 0 };

    assert_non_null(fixture);
    assert_int_equal(uv_loop_init(&fixture->loop), 0);
    (void) uv_timer_init(&fixture->loop, &fixture->deadline);
    (void) uv_timer_start(&fixture->deadline, on_deadline, DEADLINE_MS, 0);
    wire_key_random(&fixture->key);
    assert_int_equal(
        far_end_open(&fixture->far, &fixture->loop, "127.0.0.1", &fixture->key),
        0);
    if (client_open(&fixture->loop, &fixture->client, &fault))
        fail_msg("%s", fault.text);
    fixture->target = target_for(fixture, &fixture->key);
    *state = fixture;
    return 0;
}

static void on_closed(void *owner)
{
    struct fixture *fixture = owner;

    fixture->is_closed = true;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    client_close(fixture->client, on_closed, fixture);
    while (!fixture->is_closed)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    far_end_close(&fixture->far);
    uv_close((uv_handle_t *) &fixture->deadline, NULL);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    json_decref(fixture->json);
    free(fixture);
    return 0;
}

static void on_done(void *owner, const struct client_answer *answer)
{
    struct fixture *fixture = owner;

    json_decref(fixture->json);
    fixture->json = json_deep_copy(answer->json);
    fixture->answer = *answer;
    fixture->answer.json = fixture->json;
    fixture->done_count++;
}

static void wait_for(struct fixture *fixture, unsigned done_count)
{
    while (fixture->done_count < done_count)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
}

static void ask_at(struct fixture *fixture, struct client_target *target,
                   const char *method, const char *path, const json_t *body,
                   uint64_t timeout_ms, unsigned tries_most)
{
    const unsigned before = fixture->done_count;

    (void) client_start(target, method, path, body, timeout_ms, tries_most,
                        on_done, fixture);
    wait_for(fixture, before + 1);
}

static void ask(struct fixture *fixture, const char *path)
{
    ask_at(fixture, fixture->target, "GET", path, NULL, TIMEOUT_MS, 3);
}

static void assert_answered(const struct fixture *fixture)
{
    if (fixture->answer.code)
        fail_msg("%s", fixture->answer.text);
    assert_int_equal(fixture->answer.status, 200);
    assert_string_equal(fixture->answer.text, "");
    assert_true(json_is_integer(json_object_get(fixture->json, "now_ns")));
}

static void assert_failed(const struct fixture *fixture, int code,
                          const char *words)
{
    assert_int_equal(fixture->answer.code, code);
    assert_int_equal(fixture->answer.status, 0);
    assert_null(fixture->answer.json);
    if (!strstr(fixture->answer.text, words))
        fail_msg("'%s' does not say '%s'", fixture->answer.text, words);
}

static void misbehave(struct fixture *fixture, enum far_manner manner,
                      unsigned times)
{
    fixture->far.manner = manner;
    fixture->far.manner_left = times;
}

/* --- the ordinary flow ---------------------------------------------------- */

static void
the_first_call_asks_for_a_nonce_and_the_others_have_one(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    assert_answered(fixture);
    assert_int_equal(fixture->far.request_count, 2);
    for (unsigned i = 0; i < 5; i++) {
        ask(fixture, "/exchanges?wait_ms=0&ack=k3-0-1");
        assert_answered(fixture);
    }
    assert_string_equal(fixture->far.last_method, "GET");
    assert_string_equal(fixture->far.last_target,
                        "/exchanges?wait_ms=0&ack=k3-0-1");
    assert_int_equal(fixture->far.request_count, 7);
    assert_int_equal(fixture->far.connection_count, 1);
}

static void a_body_comes_as_it_was_sent_small_or_coded(void **state)
{
    struct fixture *fixture = *state;
    json_t *small = json_pack("{s:s}", "name", "fresh");
    json_t *large = json_array();

    for (int i = 0; i < 2000; i++)
        (void) json_array_append_new(large, json_integer(i));
    json_t *wrapped = json_pack("{s:o}", "numbers", large);
    ask_at(fixture, fixture->target, "PUT", "/step", small, TIMEOUT_MS, 3);
    assert_answered(fixture);
    assert_string_equal(fixture->far.last_method, "PUT");
    assert_string_equal(fixture->far.last_coding, "");
    assert_true(json_equal(fixture->far.last_body, small));
    ask_at(fixture, fixture->target, "PUT", "/exchanges/k3-0-1", wrapped,
           TIMEOUT_MS, 3);
    assert_answered(fixture);
    assert_string_equal(fixture->far.last_coding, "gzip");
    assert_true(json_equal(fixture->far.last_body, wrapped));
    ask_at(fixture, fixture->target, "DELETE", "/exchanges/k3-0-1", NULL,
           TIMEOUT_MS, 3);
    assert_answered(fixture);
    assert_string_equal(fixture->far.last_method, "DELETE");
    assert_null(fixture->far.last_body);
    json_decref(small);
    json_decref(wrapped);
}

static void calls_at_the_same_time_are_all_answered(void **state)
{
    struct fixture *fixture = *state;

    for (unsigned i = 0; i < 8; i++)
        (void) client_start(fixture->target, "GET", "/self", NULL, TIMEOUT_MS,
                            3, on_done, fixture);
    wait_for(fixture, 8);
    assert_answered(fixture);
    assert_int_equal(fixture->far.accepted_count, 8);
}

static void a_problem_is_told_in_the_agents_words(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_OBJECTS, 1);
    ask(fixture, "/exchanges/k3-0-1");
    assert_int_equal(fixture->answer.code, 0);
    assert_int_equal(fixture->answer.status, 422);
    assert_string_equal(fixture->answer.text,
                        "skerry: The order can't be carried out: order.gap_ns: "
                        "found 3, expected 1000000 to 2 (order.gap_ns)");
}

static void an_agent_that_was_restarted_is_asked_again(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    misbehave(fixture, FAR_FORGETFUL, 1);
    ask(fixture, "/self");
    assert_answered(fixture);
    assert_int_equal(fixture->far.request_count, 4);
}

static void the_agents_clock_is_within_the_stated_uncertainty(void **state)
{
    struct fixture *fixture = *state;

    assert_false(client_clock(fixture->target).is_known);
    fixture->far.clock_ahead_ns = 123456789012345;
    for (unsigned i = 0; i < 20; i++) {
        ask(fixture, "/self");
        const struct client_clock clock = client_clock(fixture->target);
        const int64_t error_ns = (int64_t) (clock.agent_ns - clock.own_ns)
                                 - fixture->far.clock_ahead_ns;

        assert_true(clock.is_known);
        assert_true(llabs(error_ns) <= (int64_t) clock.uncertainty_ns + 1);
        assert_true(clock.least_round_trip_ns <= clock.latest_round_trip_ns);
        assert_true(fixture->answer.received_ns >= fixture->answer.sent_ns);
    }
    client_forget_clock(fixture->target);
    assert_false(client_clock(fixture->target).is_known);
}

static void an_address_of_ip_version_6_is_reached(void **state)
{
    struct fixture *fixture = *state;
    struct far_end *far = calloc(1, sizeof(*far));

    assert_non_null(far);
    const int code = far_end_open(far, &fixture->loop, "::1", &fixture->key);
    if (code == 0) {
        struct client_target *target =
            client_add_target(fixture->client, "reedham", "::1", far->port,
                              &fixture->key, "reedham.key");

        ask_at(fixture, target, "GET", "/self", NULL, TIMEOUT_MS, 3);
        assert_answered(fixture);
    }
    far_end_close(far);
    while (uv_is_active((uv_handle_t *) &far->listener)
           || far->connections[0].is_open)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    free(far);
    if (code)
        skip();
}

/* --- what may not be believed --------------------------------------------- */

static void an_unsigned_answer_is_not_believed(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_UNSIGNED, 1);
    ask(fixture, "/self");
    assert_failed(fixture, UV_EACCES,
                  "the answer of 127.0.0.1 is not signed with the key in "
                  "'skerry.key'");
}

static void an_answer_signed_with_another_key_is_not_believed(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_OTHER_KEY, 1);
    ask(fixture, "/self");
    assert_failed(fixture, UV_EACCES,
                  "the answer of 127.0.0.1 is not signed with the key in "
                  "'skerry.key'");
}

static void an_answer_changed_on_the_way_is_not_believed(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_TAMPERED, 1);
    ask(fixture, "/self");
    assert_failed(fixture, UV_EACCES, "Content-Digest");
}

static void a_replayed_old_answer_is_not_believed(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    assert_answered(fixture);
    misbehave(fixture, FAR_REPLAYED, 1);
    ask(fixture, "/self");
    assert_failed(fixture, UV_EACCES, "the signature does not fit");
    ask(fixture, "/self");
    assert_answered(fixture);
}

static void a_wrong_key_is_named_with_its_file(void **state)
{
    struct fixture *fixture = *state;
    struct wire_key other;

    wire_key_random(&other);
    ask_at(fixture, target_for(fixture, &other), "GET", "/self", NULL,
           TIMEOUT_MS, 3);
    assert_failed(fixture, UV_EACCES, "refuses our signature");
    assert_non_null(strstr(fixture->answer.text, "'skerry.key'"));
    assert_non_null(strstr(fixture->answer.text, other.id));
    assert_int_equal(fixture->far.request_count, 2);
    assert_int_equal(fixture->far.accepted_count, 0);
}

/* --- what gets lost ------------------------------------------------------- */

static void a_lost_answer_is_asked_for_again(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    misbehave(fixture, FAR_HANGS_UP, 1);
    ask(fixture, "/exchanges/k3-0-1");
    assert_answered(fixture);
    assert_int_equal(fixture->far.accepted_count, 3);
}

static void a_silent_agent_is_asked_a_limited_number_of_times(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    misbehave(fixture, FAR_SILENT, 100);
    ask_at(fixture, fixture->target, "GET", "/self", NULL, SHORT_MS, 3);
    assert_failed(fixture, UV_ETIMEDOUT,
                  "skerry: no answer from 127.0.0.1 port ");
    assert_non_null(strstr(fixture->answer.text, "within 0.3 s"));
    assert_int_equal(fixture->far.manner_left, 97);
}

static void one_try_is_one_try(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    misbehave(fixture, FAR_SILENT, 100);
    ask_at(fixture, fixture->target, "GET", "/self", NULL, SHORT_MS, 1);
    assert_failed(fixture, UV_ETIMEDOUT, "no answer");
    assert_int_equal(fixture->far.manner_left, 99);
}

static void what_is_no_http_is_a_broken_connection(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_BABBLES, 100);
    ask(fixture, "/self");
    assert_failed(fixture, UV_ECONNRESET, "broke off");
}

static void a_port_where_nobody_listens_is_said_at_once(void **state)
{
    struct fixture *fixture = *state;
    struct far_end *gone = calloc(1, sizeof(*gone));
    char words[120];

    assert_non_null(gone);
    assert_int_equal(
        far_end_open(gone, &fixture->loop, "127.0.0.1", &fixture->key), 0);
    const uint16_t port = gone->port;
    far_end_close(gone);
    (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
    free(gone);
    ask_at(fixture,
           client_add_target(fixture->client, "skerry", "127.0.0.1", port,
                             &fixture->key, "skerry.key"),
           "GET", "/self", NULL, TIMEOUT_MS, 3);
    (void) snprintf(words, sizeof(words),
                    "skerry: no agent listens at 127.0.0.1 port %u; is "
                    "bothends-agent running there?",
                    port);
    assert_failed(fixture, UV_ECONNREFUSED, words);
}

static void a_request_that_is_too_long_fails_in_words(void **state)
{
    struct fixture *fixture = *state;
    char path[5000];

    memset(path, 'a', sizeof(path));
    path[0] = '/';
    path[sizeof(path) - 1] = '\0';
    ask(fixture, path);
    assert_failed(fixture, UV_E2BIG, "skerry: found a request of 4999 bytes");
    assert_int_equal(fixture->far.request_count, 0);
}

/* 64 exchanges acknowledged at once: the most that a group can hold. */
static void a_whole_groups_acknowledgements_fit_in_a_request(void **state)
{
    struct fixture *fixture = *state;
    char path[4096];
    size_t used = (size_t) snprintf(path, sizeof(path), "/exchanges?ack=");

    for (unsigned i = 0; i < 64; i++)
        used += (size_t) snprintf(path + used, sizeof(path) - used,
                                  "%sk3-%035u", i ? "," : "", i);
    ask(fixture, path);
    assert_answered(fixture);
    assert_string_equal(fixture->far.last_target, path);
}

/* --- cancelling and counting ---------------------------------------------- */

static void a_cancelled_call_says_so_and_the_next_one_works(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self");
    misbehave(fixture, FAR_SILENT, 1);
    struct client_call *call =
        client_start(fixture->target, "GET", "/exchanges/k3-0-1?wait_ms=60000",
                     NULL, TIMEOUT_MS, 3, on_done, fixture);
    while (fixture->far.manner_left)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    client_cancel(call);
    assert_int_equal(fixture->done_count, 1);
    wait_for(fixture, 2);
    assert_failed(fixture, UV_ECANCELED, "cancelled");
    ask(fixture, "/self");
    assert_answered(fixture);
}

static void closing_cancels_what_is_under_way(void **state)
{
    struct fixture *fixture = *state;

    misbehave(fixture, FAR_SILENT, 1);
    (void) client_start(fixture->target, "GET", "/self", NULL, TIMEOUT_MS, 3,
                        on_done, fixture);
    (void) client_start(fixture->target, "GET", "/self", NULL, TIMEOUT_MS, 3,
                        on_done, fixture);
    while (fixture->far.manner_left)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    client_close(fixture->client, on_closed, fixture);
    while (!fixture->is_closed)
        (void) uv_run(&fixture->loop, UV_RUN_ONCE);
    assert_int_equal(fixture->done_count, 2);
    assert_int_equal(fixture->answer.code, UV_ECANCELED);
    /* The tear-down closes one: give it a fresh one. */
    fixture->is_closed = false;
    assert_int_equal(client_open(&fixture->loop, &fixture->client, NULL), 0);
}

static void every_http_byte_is_counted(void **state)
{
    struct fixture *fixture = *state;
    json_t *body = json_pack("{s:s}", "name", "fresh");

    ask(fixture, "/self");
    ask_at(fixture, fixture->target, "PUT", "/step", body, TIMEOUT_MS, 3);
    misbehave(fixture, FAR_HANGS_UP, 1);
    ask(fixture, "/self");
    misbehave(fixture, FAR_UNSIGNED, 1);
    ask(fixture, "/self");
    assert_int_equal(client_sent_bytes(fixture->target),
                     fixture->far.received_bytes);
    assert_int_equal(client_received_bytes(fixture->target),
                     fixture->far.sent_bytes);
    json_decref(body);
}

static json_t *an_order(void)
{
    struct exchange_order order = {
        .id = "k3v9x2-12-1",
        .kind = "ping",
        .part = "prober",
        .own_name = "reedham",
        .own_call = "Q1AAA",
        .own_address = "10.71.0.10",
        .peer_name = "skerry",
        .peer_address = "10.71.0.20",
        .peer_port = 7907,
        .identify_to = "10.71.0.20",
        .identify_port = 7907,
        .identify_every_ns = 540 * NS_PER_S,
        .seed = 4711,
        .start_ns = UINT64_C(812345678901234),
        .stop_ns = UINT64_C(812395678901234),
        .expected_bps = 51234.5,
    };
    const struct ping_spec spec = {
        .count = 40,
        .gap_ns = { SPREAD_UNIFORM, 1e9, 5e8, 15e8 },
        .size_bytes = 56,
        .wait_ns = 10 * NS_PER_S,
    };
    json_t *json = NULL;

    memcpy(&order.spec, &spec, sizeof(spec));
    assert_int_equal(order_encode(&order, &json, NULL), 0);
    return json;
}

static json_t *an_account(uint64_t probe_count)
{
    struct draw draw = { 20 };
    struct exchange_account account;
    uint64_t sent_ns = UINT64_C(812345678911234);
    json_t *json = NULL;

    account_init(&account, &ping_kind);
    (void) snprintf(account.id, ID_SIZE, "k3v9x2-12-1");
    (void) snprintf(account.part, NAME_SIZE, "prober");
    (void) snprintf(account.interface, NAME_SIZE, "radio0");
    (void) snprintf(account.interface_after, NAME_SIZE, "radio0");
    (void) snprintf(account.source_address, ADDRESS_SIZE, "10.71.0.10");
    (void) snprintf(account.source_address_after, ADDRESS_SIZE, "10.71.0.10");
    account.state = ACCOUNT_DONE;
    account.begun_ns = sent_ns;
    account.ended_ns = sent_ns + 41 * NS_PER_S;
    account.wall_minus_monotonic_begun_ns = INT64_C(1763999512345678901);
    account.wall_minus_monotonic_ended_ns = INT64_C(1763999512345679333);
    account.mtu_bytes = 1500;
    account.sent_bytes_before = account.received_bytes_before = 283746;
    account.sent_bytes_after = account.received_bytes_after = 287900;
    account.sent_packets_before = account.received_packets_before = 2837;
    account.sent_packets_after = account.received_packets_after = 2879;
    account.identification_count = 2;
    account.identification_bytes = 264;
    for (uint64_t i = 0; i < probe_count; i++) {
        struct ping_probe *probe = rows_add(&account.series[0]);

        sent_ns += (uint64_t) (5e8 + 1e9 * draw_unit(&draw));
        *probe = (struct ping_probe){ .sequence = i,
                                      .state = PROBE_ANSWERED,
                                      .sent_ns = sent_ns,
                                      .sent_source = STAMP_KERNEL,
                                      .received_source = STAMP_KERNEL,
                                      .ttl = 64 };
        probe->rtt_ns = (uint64_t) (6e7 + 9e7 * draw_unit(&draw));
        probe->received_ns = sent_ns + probe->rtt_ns;
    }
    assert_int_equal(account_encode(&account, &json, NULL), 0);
    account_clear(&account);
    return json;
}

/* An order with its answer, and the account with the acknowledgement of the
 * one before riding along: what an exchange costs at one far end. */
static uint64_t control_bytes(struct fixture *fixture, uint64_t probe_count)
{
    json_t *order = an_order(), *account = an_account(probe_count);
    const uint64_t before = client_sent_bytes(fixture->target)
                            + client_received_bytes(fixture->target);

    ask_at(fixture, fixture->target, "PUT", "/exchanges/k3v9x2-12-1", order,
           TIMEOUT_MS, 3);
    assert_answered(fixture);
    print_message("PUT: head %zu, its answer's %zu bytes\n",
                  fixture->far.head_bytes_in, fixture->far.head_bytes_out);
    fixture->far.answer = account;
    ask(fixture, "/exchanges/k3v9x2-12-1?ack=k3v9x2-11-1");
    assert_answered(fixture);
    print_message("GET: head %zu, its answer's %zu bytes\n",
                  fixture->far.head_bytes_in, fixture->far.head_bytes_out);
    fixture->far.answer = NULL;
    json_decref(order);
    json_decref(account);
    return client_sent_bytes(fixture->target)
           + client_received_bytes(fixture->target) - before;
}

static void an_exchange_costs_no_more_than_3_kb_of_control(void **state)
{
    struct fixture *fixture = *state;

    ask(fixture, "/self"); /* the nonce is there from the contact on */
    const uint64_t fixed_bytes = control_bytes(fixture, 0);
    const uint64_t ping_bytes = control_bytes(fixture, 40);
    print_message("an exchange without samples: %llu bytes of control; with "
                  "40 probes: %llu\n",
                  (unsigned long long) fixed_bytes,
                  (unsigned long long) ping_bytes);
    assert_true(fixed_bytes <= 2300);
    assert_true(ping_bytes <= 3000);
}

int main(void)
{
#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(the_first_call_asks_for_a_nonce_and_the_others_have_one),
        WITH_FIXTURE(a_body_comes_as_it_was_sent_small_or_coded),
        WITH_FIXTURE(calls_at_the_same_time_are_all_answered),
        WITH_FIXTURE(a_problem_is_told_in_the_agents_words),
        WITH_FIXTURE(an_agent_that_was_restarted_is_asked_again),
        WITH_FIXTURE(the_agents_clock_is_within_the_stated_uncertainty),
        WITH_FIXTURE(an_address_of_ip_version_6_is_reached),
        WITH_FIXTURE(an_unsigned_answer_is_not_believed),
        WITH_FIXTURE(an_answer_signed_with_another_key_is_not_believed),
        WITH_FIXTURE(an_answer_changed_on_the_way_is_not_believed),
        WITH_FIXTURE(a_replayed_old_answer_is_not_believed),
        WITH_FIXTURE(a_wrong_key_is_named_with_its_file),
        WITH_FIXTURE(a_lost_answer_is_asked_for_again),
        WITH_FIXTURE(a_silent_agent_is_asked_a_limited_number_of_times),
        WITH_FIXTURE(one_try_is_one_try),
        WITH_FIXTURE(what_is_no_http_is_a_broken_connection),
        WITH_FIXTURE(a_port_where_nobody_listens_is_said_at_once),
        WITH_FIXTURE(a_request_that_is_too_long_fails_in_words),
        WITH_FIXTURE(a_whole_groups_acknowledgements_fit_in_a_request),
        WITH_FIXTURE(a_cancelled_call_says_so_and_the_next_one_works),
        WITH_FIXTURE(closing_cancels_what_is_under_way),
        WITH_FIXTURE(every_http_byte_is_counted),
        WITH_FIXTURE(an_exchange_costs_no_more_than_3_kb_of_control),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
