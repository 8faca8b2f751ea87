/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/messages.h"

#include "agent/wire/body.h"

#include <bothends/draw.h>
#include <bothends/kinds.h>
#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <uv.h>

#include <cmocka.h>

#define SEED UINT64_C(20)

static struct exchange_order a_ping_order(void)
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

    memcpy(&order.spec, &spec, sizeof(spec));
    return order;
}

static void fill_common(struct exchange_account *account, const char *part)
{
    (void) snprintf(account->id, ID_SIZE, "k3v9x2-12-1");
    (void) snprintf(account->part, NAME_SIZE, "%s", part);
    account->state = ACCOUNT_DONE;
    account->begun_ns = UINT64_C(812345678911234);
    account->ended_ns = UINT64_C(812385679912239);
    account->wall_minus_monotonic_begun_ns = INT64_C(1763999512345678901);
    account->wall_minus_monotonic_ended_ns = INT64_C(1763999512345679333);
    (void) snprintf(account->interface, NAME_SIZE, "radio0");
    (void) snprintf(account->interface_after, NAME_SIZE, "radio0");
    (void) snprintf(account->source_address, ADDRESS_SIZE, "10.71.0.10");
    (void) snprintf(account->source_address_after, ADDRESS_SIZE, "10.71.0.10");
    account->mtu_bytes = 1500;
    account->sent_bytes_before = 283746;
    account->sent_bytes_after = 287900;
    account->received_bytes_before = 1283746;
    account->received_bytes_after = 1287312;
    account->sent_packets_before = 2837;
    account->sent_packets_after = 2879;
    account->received_packets_before = 3837;
    account->received_packets_after = 3877;
    account->identification_count = 2;
    account->identification_bytes = 264;
}

/* A ping of 40 probes with nanosecond stamps, two of them lost. */
static void fill_ping(struct exchange_account *account)
{
    struct draw draw = { SEED };
    uint64_t sent_ns = UINT64_C(812345678911234);
    const struct ping_outcome outcome = { .sent_count = 40,
                                          .answered_count = 38,
                                          .lost_count = 2,
                                          .wire_bytes = 84,
                                          .socket = 2 };

    account_init(account, &ping_kind);
    fill_common(account, "prober");
    memcpy(&account->outcome, &outcome, sizeof(outcome));
    for (uint64_t i = 0; i < 40; i++) {
        struct ping_probe *probe = rows_add(&account->series[0]);

        sent_ns += (uint64_t) (5e8 + 1e9 * draw_unit(&draw));
        *probe = (struct ping_probe){ .sequence = i,
                                      .sent_ns = sent_ns,
                                      .sent_source = STAMP_KERNEL };
        if (i == 7 || i == 23)
            continue;
        probe->state = PROBE_ANSWERED;
        probe->rtt_ns = (uint64_t) (6e7 + 9e7 * draw_unit(&draw));
        probe->received_ns = sent_ns + probe->rtt_ns;
        probe->received_source = STAMP_KERNEL;
        probe->ttl = 64;
        probe->after_pause = i == 0;
    }
}

/* The receiver's account of a download in slots of about 120 ms. */
static void fill_download(struct exchange_account *account,
                          size_t arrival_count, size_t tcp_count)
{
    struct draw draw = { SEED };
    uint64_t at_ns = UINT64_C(812345678911234), received_bytes = 0;
    const struct download_outcome outcome = { .content_bytes =
                                                  1448 * arrival_count };

    account_init(account, &download_kind);
    fill_common(account, "receiver");
    memcpy(&account->outcome, &outcome, sizeof(outcome));
    for (size_t i = 0; i < arrival_count; i++) {
        struct download_arrival *arrival = rows_add(&account->series[0]);

        at_ns += i % 4 ? 1000000 + draw_next(&draw) % 300000
                       : 118000000 + draw_next(&draw) % 3000000;
        *arrival =
            (struct download_arrival){ 0, at_ns,
                                       draw_next(&draw) % 9 ? 1448 : 2896 };
    }
    at_ns = UINT64_C(812345678911234);
    for (size_t i = 0; i < tcp_count; i++) {
        struct download_tcp *tcp = rows_add(&account->series[1]);

        at_ns += 250000000 + draw_next(&draw) % 200000;
        received_bytes += 1448 * (8 + draw_next(&draw) % 3);
        *tcp = (struct download_tcp){
            .at_ns = at_ns,
            .rtt_us = 180000 + draw_next(&draw) % 90000,
            .rtt_variation_us = 20000 + draw_next(&draw) % 9000,
            .least_rtt_us = 61234,
            .window_segments = 10,
            .threshold_segments = 2147483647,
            .segment_bytes = 1448,
            .received_bytes = received_bytes,
            .sent_bytes = 190,
            .acked_bytes = 191,
            .receive_window_bytes = 65535,
        };
    }
    struct download_connection *connection = rows_add(&account->series[2]);
    *connection = (struct download_connection){ .opened_ns = at_ns,
                                                .content_bytes = 1448,
                                                .local_port = 40112,
                                                .peer_port = 7907 };
    (void) snprintf(connection->congestion_control,
                    sizeof(connection->congestion_control), "cubic");
}

static json_t *encode_account(const struct exchange_account *account)
{
    struct fault fault = { 0 };
    json_t *json = NULL;

    if (account_encode(account, &json, &fault))
        fail_msg("%s", fault.text);
    return json;
}

/* As it crosses the link: gzip-coded text, back to an account. */
static size_t send_account(const struct exchange_account *account,
                           struct exchange_account *ret_account)
{
    struct fault fault = { 0 };
    struct body body;
    json_t *json = encode_account(account), *received = NULL;

    assert_int_equal(body_encode(json, &body, &fault), 0);
    json_decref(json);
    assert_true(body.is_gzip);
    if (body_decode(body.content, body.content_bytes, "gzip", &received,
                    &fault))
        fail_msg("%s", fault.text);
    if (account_decode(received, ret_account, &fault))
        fail_msg("%s", fault.text);
    const size_t sent_bytes = body.content_bytes;
    json_decref(received);
    body_clear(&body);
    return sent_bytes;
}

static void assert_same_account(const struct exchange_account *one,
                                const struct exchange_account *other)
{
    for (size_t i = 0; i < KIND_SERIES_MAX; i++) {
        assert_int_equal(one->series[i].count, other->series[i].count);
        if (one->series[i].count)
            assert_memory_equal(one->series[i].data, other->series[i].data,
                                one->series[i].count * one->series[i].row_size);
    }
    assert_memory_equal(&one->outcome, &other->outcome, sizeof(one->outcome));
    assert_memory_equal(one, other, offsetof(struct exchange_account, series));
}

static void an_order_comes_back_as_it_was(void **state)
{
    const struct exchange_order order = a_ping_order();
    struct exchange_order back;
    struct fault fault = { 0 };
    json_t *json = NULL;
    struct body body;

    (void) state;
    assert_int_equal(order_encode(&order, &json, &fault), 0);
    assert_int_equal(body_encode(json, &body, &fault), 0);
    print_message("an order takes %zu bytes\n", body.content_bytes);
    if (order_decode(json, &back, &fault))
        fail_msg("%s", fault.text);
    assert_memory_equal(&back, &order, sizeof(order));
    json_decref(json);
    body_clear(&body);
}

static void accounts_come_back_as_they_were(void **state)
{
    struct exchange_account account, back;

    (void) state;
    fill_ping(&account);
    print_message("an account of 40 probes takes %zu bytes\n",
                  send_account(&account, &back));
    assert_same_account(&account, &back);
    account_clear(&account);
    account_clear(&back);

    fill_download(&account, 700, 100);
    print_message("an account of 700 arrivals and 100 rows of TCP takes %zu "
                  "bytes\n",
                  send_account(&account, &back));
    assert_same_account(&account, &back);
    account_clear(&account);
    account_clear(&back);

    fill_download(&account, 0, 0);
    print_message("an account of a download without arrivals takes %zu "
                  "bytes\n",
                  send_account(&account, &back));
    account_clear(&account);
    account_clear(&back);
}

static void
a_hundred_thousand_arrivals_come_back_in_few_bytes_each(void **state)
{
    struct exchange_account account, back;

    (void) state;
    fill_download(&account, 100000, 4000);
    const size_t sent_bytes = send_account(&account, &back);
    const double row_bytes = (double) sent_bytes / 104000;

    print_message("%.2f bytes a row\n", row_bytes);
    assert_true(row_bytes < 8); /* a row holds about 20 random bits */
    assert_same_account(&account, &back);
    account_clear(&account);
    account_clear(&back);
}

static void assert_order_refused(const char *member, json_t *value,
                                 const char *words)
{
    const struct exchange_order order = a_ping_order();
    struct exchange_order back;
    struct fault fault = { 0 };
    json_t *json = NULL;

    assert_int_equal(order_encode(&order, &json, &fault), 0);
    if (value)
        assert_int_equal(json_object_set_new(json, member, value), 0);
    else
        assert_int_equal(json_object_del(json, member), 0);
    assert_int_equal(order_decode(json, &back, &fault), UV_EINVAL);
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
    json_decref(json);
}

static void a_wrong_order_is_refused_in_words(void **state)
{
    (void) state;
    assert_order_refused("kind", json_string("beacon"),
                         "found 'beacon', expected one of: ping, download");
    assert_order_refused("part", json_string("sender"),
                         "expected 'prober' or 'answerer'");
    assert_order_refused("id", json_string("../key"), "order.id");
    assert_order_refused("id", NULL, "order.id");
    assert_order_refused("peer_port", json_integer(65536), "0 to 65535");
    assert_order_refused("colour", json_string("red"), "'colour'");
    assert_order_refused("spec", NULL, "order.spec");
    assert_order_refused("spec", json_object(), "order.spec.gap_ns");
    assert_order_refused("spec",
                         json_pack("{s:i, s:{s:s, s:f, s:f, s:f}}", "count", 3,
                                   "gap_ns", "form", "fixed", "mean", 1e9,
                                   "low", 1e9, "high", 1e9),
                         "order.spec.wait_ns: found nothing");
    assert_order_refused("spec",
                         json_pack("{s:I, s:{s:s, s:f, s:f, s:f}, s:I}",
                                   "wait_ns", (json_int_t) NS_PER_S, "gap_ns",
                                   "form", "fixed", "mean", 1e9, "low", 1e9,
                                   "high", 1e9, "size_bytes", (json_int_t) 56),
                         "neither count nor for");
}

/* They end on terminals and in reports. */
static void texts_that_command_a_terminal_are_refused(void **state)
{
    static const char *const texts[] = { "hill\033[2J", "two\nlines",
                                         "\xc2\x9b[2J", "\xe2\x80\xae.com" };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        assert_order_refused("own_name", json_string(texts[i]),
                             "order.own_name");
        assert_order_refused("own_call", json_string(texts[i]), "on one line");
    }
}

static void accounts_of_a_newer_version_are_taken(void **state)
{
    struct exchange_account account, back;
    struct fault fault = { 0 };

    (void) state;
    fill_ping(&account);
    json_t *json = encode_account(&account);
    (void) json_object_set_new(json, "humidity_percent", json_integer(80));
    (void) json_object_set_new(json_object_get(json, "outcome"), "colour",
                               json_string("red"));
    (void) json_object_set_new(json_object_get(json, "series"), "weather",
                               json_object());
    if (account_decode(json, &back, &fault))
        fail_msg("%s", fault.text);
    assert_same_account(&account, &back);
    json_decref(json);
    account_clear(&account);
    account_clear(&back);
}

/* Seeded changes of good messages' bytes: an answer or an error, never a
 * crash, and nothing left behind (the sanitizers watch). */
static void mutate(struct draw *draw, char *text, size_t *length)
{
    for (uint64_t left = 1 + draw_next(draw) % 4; left > 0; left--) {
        const size_t at = draw_next(draw) % *length;
        static const char pieces[] = "0123456789-{}[]\",:eE.ntf\\u\xff";

        switch (draw_next(draw) % 4) {
        case 0:
            text[at] = (char) draw_next(draw);
            break;
        case 1:
            text[at] = pieces[draw_next(draw) % (sizeof(pieces) - 1)];
            break;
        case 2:
            memmove(text + at, text + at + 1, *length - at - 1);
            *length -= *length > 1;
            break;
        default:
            *length = 1 + at; /* cut */
        }
    }
}

static size_t try_mutations(const json_t *json, unsigned rounds, uint64_t seed)
{
    char *good = json_dumps(json, JSON_COMPACT);
    char *text = malloc(strlen(good) + 1);
    struct draw draw = { seed };
    size_t taken_count = 0;

    for (unsigned i = 0; i < rounds; i++) {
        size_t length = strlen(good);
        struct fault fault = { 0 };
        struct exchange_order order;
        struct exchange_account account = { .id = "" };
        json_t *received = NULL;

        memcpy(text, good, length);
        mutate(&draw, text, &length);
        if (body_decode(text, length, NULL, &received, &fault) == 0) {
            taken_count += order_decode(received, &order, NULL) == 0;
            taken_count += account_decode(received, &account, NULL) == 0;
            account_clear(&account);
            json_decref(received);
        }
    }
    free(text);
    free(good);
    return taken_count;
}

static void ten_thousand_mutations_of_messages_do_no_harm(void **state)
{
    const struct exchange_order order = a_ping_order();
    struct exchange_account account;
    json_t *json = NULL;

    (void) state;
    print_message("seed %llu\n", (unsigned long long) SEED);
    assert_int_equal(order_encode(&order, &json, NULL), 0);
    size_t taken_count = try_mutations(json, 4000, SEED);
    json_decref(json);
    fill_ping(&account);
    json = encode_account(&account);
    taken_count += try_mutations(json, 3000, SEED + 1);
    json_decref(json);
    account_clear(&account);
    fill_download(&account, 50, 10);
    json = encode_account(&account);
    taken_count += try_mutations(json, 3000, SEED + 2);
    json_decref(json);
    account_clear(&account);
    print_message("%zu of 10000 still had a meaning\n", taken_count);
    assert_true(taken_count > 0 && taken_count < 10000);
}

static void ids_are_small_letters_digits_and_dashes(void **state)
{
    (void) state;
    assert_true(id_is_valid("k3v9-2-1"));
    assert_true(id_is_valid("0"));
    assert_false(id_is_valid(""));
    assert_false(id_is_valid("A"));
    assert_false(id_is_valid("a/b"));
    assert_false(id_is_valid(".."));
    assert_false(id_is_valid("0123456789012345678901234567890123456789"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_order_comes_back_as_it_was),
        cmocka_unit_test(accounts_come_back_as_they_were),
        cmocka_unit_test(
            a_hundred_thousand_arrivals_come_back_in_few_bytes_each),
        cmocka_unit_test(a_wrong_order_is_refused_in_words),
        cmocka_unit_test(texts_that_command_a_terminal_are_refused),
        cmocka_unit_test(accounts_of_a_newer_version_are_taken),
        cmocka_unit_test(ten_thousand_mutations_of_messages_do_no_harm),
        cmocka_unit_test(ids_are_small_letters_digits_and_dashes),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
