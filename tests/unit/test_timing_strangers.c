/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/timing_scene.h"

#include "agent/exchanges/stamp.h"
#include "agent/sockets.h"
#include "agent/wire/messages.h"

#include <string.h>
#include <unistd.h>

/* --- strangers -------------------------------------------------------------
 */

static void tamper_with_some(struct udp_relay *relay,
                             struct relay_packet *packet)
{
    if (packet->number == 1 + (size_t) packet->way)
        packet->bytes[20] ^= 1; /* a bit of its time */
    relay_send(relay, packet);
}

static void what_was_tampered_with_is_dropped_and_counted(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, tamper_with_some);
    assert_int_equal(scene_outcome(&scene, 1)->forged_count, 1);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 9);
    assert_int_equal(scene_outcome(&scene, 0)->forged_count, 1);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 8);
    assert_int_equal(scene.relay.counts[RELAY_TO_CLIENT], 9);
}

/* After the last reply everything is sent once more, both ways. */
static void replay(struct udp_relay *relay, struct relay_packet *packet)
{
    if (packet->way == RELAY_TO_SERVER && packet->number == 0)
        relay->held = *packet;
    relay_send(relay, packet);
    if (packet->way == RELAY_TO_SERVER)
        return;
    struct relay_packet again = relay->held;
    relay_send(relay, &again); /* the first probe to the reflector */
    again.way = RELAY_TO_CLIENT;
    relay_send(relay, &again); /* and to its own sender */
    again = *packet;
    again.way = RELAY_TO_SERVER;
    relay_send(relay, &again); /* a reply to its own reflector */
}

static void what_is_sent_once_more_or_sent_back_is_not_answered(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, replay);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 10);
    assert_int_equal(scene_outcome(&scene, 0)->duplicates_count, 0);
    assert_int_equal(scene_outcome(&scene, 0)->malformed_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->duplicates_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->malformed_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 10);
    assert_int_equal(scene.relay.counts[RELAY_TO_CLIENT], 10);
}

static void send_from_elsewhere(const struct udp_relay *relay,
                                const struct relay_packet *packet)
{
    const struct sockaddr *to = (const struct sockaddr *) &relay->server;
    struct fault fault = { 0 };
    int fd = -1;

    assert_int_equal(sockets_open_udp("127.0.0.2", 0, &fd, &fault), 0);
    assert_int_equal(sendto(fd, packet->bytes, packet->byte_count, 0, to,
                            sockets_length(to)),
                     packet->byte_count);
    (void) close(fd);
}

/* Probe 6 is taken out of the air and comes from another address. */
static void divert_one(struct udp_relay *relay, struct relay_packet *packet)
{
    if (packet->way == RELAY_TO_SERVER && packet->number == 6)
        send_from_elsewhere(relay, packet);
    else
        relay_send(relay, packet);
}

static void a_signed_packet_from_another_address_is_not_answered(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, divert_one);
    assert_int_equal(scene_outcome(&scene, 1)->foreign_count, 1);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 9);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 9);
    assert_int_equal(scene_probe(&scene, 6)->state, PROBE_LOST);
}

/* A router that translates addresses: all come from another one. */
static void divert_all(struct udp_relay *relay, struct relay_packet *packet)
{
    if (packet->way == RELAY_TO_SERVER)
        send_from_elsewhere(relay, packet);
}

static void the_address_of_a_translated_sender_is_learnt(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.wait_ns = NS_PER_MS; /* no reply gets through */
    scene_run(&scene, divert_all);
    assert_int_equal(scene_outcome(&scene, 1)->foreign_count, 0);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 10);
}

/* Beside each good probe: cut to every kind of length, of another size,
 * with another key, and another session's. */
static void add_rubbish(struct udp_relay *relay, struct relay_packet *packet)
{
    static const size_t cuts[] = { 0, 1, 20, 28, 111 };
    struct relay_packet bad = *packet;

    relay_send(relay, packet);
    if (packet->way == RELAY_TO_CLIENT)
        return;
    for (size_t i = 0; i < COUNT_OF(cuts); i++) {
        bad.byte_count = cuts[i];
        relay_send(relay, &bad);
    }
    bad.byte_count = packet->byte_count + 20; /* without a head */
    relay_send(relay, &bad);
    stamp_write_padding(bad.bytes + packet->byte_count, 20);
    relay_send(relay, &bad); /* of another size than the session's */
    bad.byte_count = packet->byte_count;
    memset(bad.bytes + 96, 0, 16);
    relay_send(relay, &bad);
    bad.bytes[26] ^= 1;
    relay_send(relay, &bad);
}

static void what_is_too_short_or_of_another_form_is_not_answered(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, add_rubbish);
    assert_int_equal(scene_outcome(&scene, 1)->malformed_count, 10 * 7);
    assert_int_equal(scene_outcome(&scene, 1)->forged_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->duplicates_count, 0);
    assert_int_equal(scene.relay.counts[RELAY_TO_CLIENT], 10);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 10);
}

static void another_ticket_is_another_key(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.wait_ns = NS_PER_MS; /* no reply comes */
    relay_open(&scene.relay, &scene.pair->loop, scene.pair->udp_port,
               relay_pass);
    struct exchange_order sender = scene_order(&scene, "sender");
    const struct exchange_order reflector = scene_order(&scene, "reflector");

    (void) snprintf(sender.ticket, sizeof(sender.ticket), "another-ticket");
    assert_int_equal(pair_arm(scene.pair, 1, &reflector, NULL), 0);
    assert_int_equal(pair_arm(scene.pair, 0, &sender, NULL), 0);
    pair_run(scene.pair);
    relay_close(&scene.relay);
    assert_int_equal(scene_outcome(&scene, 1)->forged_count, 10);
    assert_int_equal(scene_arrival_count(&scene), 0);
    assert_int_equal(scene.relay.counts[RELAY_TO_CLIENT], 0);
}

/* Whoever heard the order has the ticket: signed, but with a number or a time
 * that no account can tell of. */
static struct stamp_session overheard;

static void forge_some(struct udp_relay *relay, struct relay_packet *packet)
{
    const uint64_t in_1969_ntp = UINT64_C(2208988799) << 32;
    struct stamp_reply reply;

    if (packet->way == RELAY_TO_CLIENT && packet->number < 3) {
        stamp_read_reply(&stamp_authenticated, packet->bytes, &reply);
        if (packet->number == 0)
            reply.sequence = UINT32_MAX;
        else if (packet->number == 1)
            reply.arrived_ntp = in_1969_ntp;
        else
            reply.sent_ntp = in_1969_ntp;
        stamp_write_reply(&stamp_authenticated, &reply, packet->bytes);
        stamp_sign(overheard.key, packet->bytes);
    }
    relay_send(relay, packet);
}

static void what_no_account_can_tell_of_is_no_reply(void **state)
{
    struct scene scene = scene_open(state);
    const struct exchange_order order = scene_order(&scene, "sender");
    json_t *json = NULL;
    struct fault fault = { 0 };

    stamp_session_of(order.id, order.ticket, &overheard);
    scene_run(&scene, forge_some);
    assert_int_equal(scene_outcome(&scene, 0)->malformed_count, 3);
    assert_int_equal(scene_outcome(&scene, 0)->forged_count, 0);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 7);
    assert_int_equal(account_encode(scene_account(&scene, 0), &json, &fault),
                     0);
    json_decref(json);
}

static void without_a_ticket_there_is_no_session(void **state)
{
    static const char *const parts[] = { "sender", "reflector" };
    struct scene scene = scene_open(state);

    scene.relay.port = scene.pair->udp_port;
    for (int end = 0; end < 2; end++) {
        struct exchange_order order = scene_order(&scene, parts[end]);
        struct fault fault = { 0 };

        order.ticket[0] = '\0';
        assert_int_not_equal(pair_arm(scene.pair, end, &order, &fault), 0);
        assert_string_equal(fault.text,
                            "ticket: found none, expected one: the session's "
                            "key is made of it");
    }
}

/* --- the end ---------------------------------------------------------------
 */

static void a_reflector_ends_when_the_sender_says_so(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.wait_ns = 15 * NS_PER_S; /* alone it would stay that long */
    scene_run(&scene, relay_pass);
    scene_assert_nothing_dropped(&scene);
    assert_true(scene_account(&scene, 1)->ended_ns
                < scene_account(&scene, 1)->begun_ns + 15 * NS_PER_S);
    assert_true(scene_account(&scene, 1)->ended_ns
                >= scene_account(&scene, 0)->ended_ns);
}

static void a_reflector_alone_ends_by_itself(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.wait_ns = NS_PER_MS;
    const struct exchange_order order = scene_order(&scene, "reflector");
    assert_int_equal(pair_arm(scene.pair, 1, &order, NULL), 0);
    pair_run(scene.pair);
    assert_int_equal(scene_account(&scene, 1)->state, ACCOUNT_DONE);
    assert_true(scene_account(&scene, 1)->ended_ns
                >= order.start_ns + timing_longest_ns(&scene.spec, order.seed));
    assert_int_equal(scene_arrival_count(&scene), 0);
}

static void both_end_at_the_latest_stop_time(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.count = 100000;
    relay_open(&scene.relay, &scene.pair->loop, scene.pair->udp_port,
               relay_pass);
    struct exchange_order sender = scene_order(&scene, "sender");
    struct exchange_order reflector = scene_order(&scene, "reflector");

    scene.pair->is_deaf = true;
    sender.stop_ns = sender.start_ns + 200 * NS_PER_MS;
    reflector.stop_ns = sender.stop_ns + 50 * NS_PER_MS;
    assert_int_equal(pair_arm(scene.pair, 1, &reflector, NULL), 0);
    assert_int_equal(pair_arm(scene.pair, 0, &sender, NULL), 0);
    pair_run(scene.pair);
    relay_close(&scene.relay);
    assert_int_equal(scene_account(&scene, 0)->state, ACCOUNT_STOPPED);
    assert_int_equal(scene_account(&scene, 1)->state, ACCOUNT_STOPPED);
    assert_true(scene_account(&scene, 0)->ended_ns >= sender.stop_ns);
    assert_true(scene_outcome(&scene, 0)->answered_count > 0);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count,
                     scene_outcome(&scene, 1)->arrived_count);
}

static void a_sender_without_a_port_to_send_to_is_refused(void **state)
{
    struct scene scene = scene_open(state);
    struct exchange_order order = scene_order(&scene, "sender");
    struct fault fault = { 0 };

    assert_int_equal(order.peer_port, 0);
    assert_int_not_equal(pair_arm(scene.pair, 0, &order, &fault), 0);
    assert_string_equal(fault.text,
                        "peer_port: found none, expected the other agent's");
}

static void a_size_without_room_for_the_padding_is_refused(void **state)
{
    struct timing_spec spec = scene_open(state).spec;

    for (uint64_t size = TIMING_BASE_BYTES; size < 130; size++) {
        spec.size_bytes = size;
        assert_int_equal(timing_kind.objection(&spec) == NULL,
                         size == 112 || size >= 116);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PAIR_TEST(what_was_tampered_with_is_dropped_and_counted),
        PAIR_TEST(what_is_sent_once_more_or_sent_back_is_not_answered),
        PAIR_TEST(a_signed_packet_from_another_address_is_not_answered),
        PAIR_TEST(the_address_of_a_translated_sender_is_learnt),
        PAIR_TEST(what_is_too_short_or_of_another_form_is_not_answered),
        PAIR_TEST(another_ticket_is_another_key),
        PAIR_TEST(what_no_account_can_tell_of_is_no_reply),
        PAIR_TEST(without_a_ticket_there_is_no_session),
        PAIR_TEST(a_reflector_ends_when_the_sender_says_so),
        PAIR_TEST(a_reflector_alone_ends_by_itself),
        PAIR_TEST(both_end_at_the_latest_stop_time),
        PAIR_TEST(a_sender_without_a_port_to_send_to_is_refused),
        PAIR_TEST(a_size_without_room_for_the_padding_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
