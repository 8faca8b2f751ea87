/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/timing_scene.h"

#include <time.h>

/* --- a good link -----------------------------------------------------------
 */

static void every_probe_is_answered_and_both_ends_record_it(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.count = 40;
    scene_run(&scene, relay_pass);
    scene_assert_nothing_dropped(&scene);
    assert_int_equal(scene_outcome(&scene, 0)->sent_count, 40);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 40);
    assert_int_equal(scene_outcome(&scene, 0)->wire_bytes, 140);
    assert_int_equal(scene_outcome(&scene, 0)->peer_port, scene.relay.port);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 40);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 40);
    assert_int_equal(scene_outcome(&scene, 1)->peer_port, scene.relay.port);
    assert_int_equal(scene_outcome(&scene, 0)->session,
                     scene_outcome(&scene, 1)->session);
    for (size_t i = 0; i < 40; i++) {
        const struct timing_probe *probe = scene_probe(&scene, i);
        const struct timing_arrival *arrival = scene_arrival(&scene, i);

        assert_int_equal(probe->sequence, i);
        assert_int_equal(probe->state, PROBE_ANSWERED);
        assert_int_equal(probe->reply_sequence, i);
        assert_int_equal(probe->reply_number, i + 1);
        assert_int_equal(probe->probe_ttl, 64);
        assert_int_equal(probe->reply_ttl, 64);
        assert_int_equal(probe->duplicates_count, 0);
        assert_int_equal(probe->after_pause, i == 0);
        assert_true(probe->sent_ns >= probe->planned_ns);
        assert_int_equal(arrival->sequence, i);
        assert_int_equal(arrival->reply_sequence, i);
        assert_int_equal(arrival->ttl, 64);
        assert_false(arrival->is_duplicate);
        /* The kernel starts to stamp a little after it was asked to. */
        if (i >= 20) {
            assert_int_equal(probe->sent_source, STAMP_KERNEL);
            assert_int_equal(probe->received_source, STAMP_KERNEL);
            assert_int_equal(arrival->arrived_source, STAMP_KERNEL);
        }
    }
}

/* One computer, one clock: what the packets carried is what was recorded. */
static void the_times_in_the_packets_are_those_recorded(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, relay_pass);
    const int64_t wall_ns =
        scene_account(&scene, 1)->wall_minus_monotonic_begun_ns;
    for (size_t i = 0; i < scene.spec.count; i++) {
        const struct timing_probe *probe = scene_probe(&scene, i);
        const struct timing_arrival *arrival = scene_arrival(&scene, i);
        const int64_t arrived_off_ns = (int64_t) probe->arrived_unix_ns
                                       - (int64_t) arrival->arrived_ns
                                       - wall_ns;
        const int64_t replied_off_ns = (int64_t) probe->replied_unix_ns
                                       - (int64_t) arrival->replied_ns
                                       - wall_ns;

        /* A wall clock that is being corrected drifts by less than 1/1000. */
        assert_in_range(arrived_off_ns + (int64_t) NS_PER_MS, 0, 2 * NS_PER_MS);
        assert_in_range(replied_off_ns + (int64_t) NS_PER_MS, 0, 2 * NS_PER_MS);
        assert_true(arrival->replied_ns >= arrival->arrived_ns);
        assert_true(probe->sent_unix_ns
                    <= probe->arrived_unix_ns + 2 * NS_PER_MS);
        assert_true(probe->received_ns + NS_PER_MS >= arrival->replied_ns);
    }
}

static void a_probe_and_its_reply_are_of_one_size(void **state)
{
    static const size_t sizes[] = { TIMING_BASE_BYTES, TIMING_BASE_BYTES + 4,
                                    600, TIMING_SIZE_MAX };

    for (size_t i = 0; i < COUNT_OF(sizes); i++) {
        struct scene scene = scene_open(state);

        scene.spec.count = 3;
        scene.spec.size_bytes = sizes[i];
        scene_run(&scene, relay_pass);
        scene_assert_nothing_dropped(&scene);
        assert_int_equal(scene_outcome(&scene, 0)->answered_count, 3);
        assert_int_equal(scene.relay.bytes[RELAY_TO_SERVER], 3 * sizes[i]);
        assert_int_equal(scene.relay.bytes[RELAY_TO_CLIENT], 3 * sizes[i]);
        for (int end = 0; end < 2; end++) {
            account_clear(&scene.pair->ends[end].account);
            scene.pair->ends[end].has_ended = false;
        }
    }
}

/* --- a bad link ------------------------------------------------------------
 */

/* Probes 3 and 7 get lost on the way out, the reply to 5 on the way back. */
static void lose_some(struct udp_relay *relay, struct relay_packet *packet)
{
    const bool is_lost = packet->way == RELAY_TO_SERVER
                             ? packet->number == 3 || packet->number == 7
                             : packet->number == 4;

    if (!is_lost)
        relay_send(relay, packet);
}

static void what_is_lost_is_known_for_each_way(void **state)
{
    /* RFC 8762 section 4, worked by hand: (probe, reply) as the sender sees
     * them; 10 - (7 + 1) = 2 lost out, 7 + 1 - 7 = 1 lost back. */
    static const uint64_t seen[][2] = { { 0, 0 }, { 1, 1 }, { 2, 2 }, { 4, 3 },
                                        { 6, 5 }, { 8, 6 }, { 9, 7 } };
    struct scene scene = scene_open(state);
    size_t place = 0;

    scene_run(&scene, lose_some);
    scene_assert_nothing_dropped(&scene);
    assert_int_equal(scene_outcome(&scene, 0)->lost_count, 3);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 7);
    for (size_t i = 0; i < 10; i++) {
        const struct timing_probe *probe = scene_probe(&scene, i);

        if (!probe->received_ns) {
            assert_int_equal(probe->state, PROBE_LOST);
            continue;
        }
        assert_int_equal(probe->sequence, seen[place][0]);
        assert_int_equal(probe->reply_sequence, seen[place][1]);
        place++;
    }
    assert_int_equal(place, COUNT_OF(seen));
    assert_int_equal(scene_arrival_count(&scene), 8);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 8);
    assert_int_equal(scene_arrival(&scene, 4)->sequence, 5);
    assert_true(scene_arrival(&scene, 4)->replied_ns > 0);
}

static void lose_last_reply(struct udp_relay *relay,
                            struct relay_packet *packet)
{
    if (packet->way == RELAY_TO_SERVER || packet->number != 9)
        relay_send(relay, packet);
}

static void a_probe_whose_reply_is_the_last_and_lost_did_arrive(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, lose_last_reply);
    assert_int_equal(scene_outcome(&scene, 0)->lost_count, 1);
    assert_int_equal(scene_probe(&scene, 9)->state, PROBE_LOST);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 10);
    assert_int_equal(scene_arrival(&scene, 9)->sequence, 9);
}

/* Probe 2 comes twice, and so does the reply to 5; the last of each too. */
static void double_some(struct udp_relay *relay, struct relay_packet *packet)
{
    const size_t doubled = packet->way == RELAY_TO_SERVER ? 2 : 5;

    relay_send(relay, packet);
    if (packet->number == doubled || packet->number == 9)
        relay_send(relay, packet);
}

static void what_is_doubled_is_kept_for_each_way_and_not_answered(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, double_some);
    scene_assert_nothing_dropped(&scene);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 10);
    assert_int_equal(scene_outcome(&scene, 0)->duplicates_count, 2);
    assert_int_equal(scene_account(&scene, 0)->series[1].count, 2);
    assert_int_equal(scene_duplicate(&scene, 0)->sequence, 5);
    assert_int_equal(scene_duplicate(&scene, 0)->reply_sequence, 5);
    assert_true(scene_duplicate(&scene, 0)->received_ns
                >= scene_probe(&scene, 5)->received_ns);
    assert_int_equal(scene_duplicate(&scene, 1)->sequence, 9);
    assert_int_equal(scene_probe(&scene, 5)->duplicates_count, 1);
    assert_int_equal(scene_outcome(&scene, 1)->arrived_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->replied_count, 10);
    assert_int_equal(scene_outcome(&scene, 1)->duplicates_count, 2);
    assert_int_equal(scene_arrival_count(&scene), 12);
    assert_int_equal(scene_arrival(&scene, 3)->sequence, 2);
    assert_true(scene_arrival(&scene, 3)->is_duplicate);
    assert_int_equal(scene_arrival(&scene, 3)->replied_ns, 0);
    assert_int_equal(scene.relay.counts[RELAY_TO_CLIENT], 10);
}

/* Probe 4 is overtaken by 5 on the way out, the reply to 7 by that to 8. */
static void overtake_some(struct udp_relay *relay, struct relay_packet *packet)
{
    const size_t held = packet->way == RELAY_TO_SERVER ? 4 : 7;

    if (packet->number == held) {
        relay->held = *packet;
        return;
    }
    relay_send(relay, packet);
    if (packet->number == held + 1)
        relay_send(relay, &relay->held);
}

static void what_is_overtaken_is_seen_for_each_way(void **state)
{
    struct scene scene = scene_open(state);

    scene_run(&scene, overtake_some);
    scene_assert_nothing_dropped(&scene);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 10);
    assert_int_equal(scene_arrival(&scene, 4)->sequence, 5);
    assert_int_equal(scene_arrival(&scene, 5)->sequence, 4);
    assert_int_equal(scene_probe(&scene, 5)->reply_sequence, 4);
    assert_int_equal(scene_probe(&scene, 4)->reply_sequence, 5);
    assert_int_equal(scene_probe(&scene, 5)->reply_number, 5);
    assert_int_equal(scene_probe(&scene, 4)->reply_number, 6);
    assert_int_equal(scene_probe(&scene, 7)->reply_sequence, 7);
    assert_int_equal(scene_probe(&scene, 7)->reply_number, 9);
    assert_int_equal(scene_probe(&scene, 8)->reply_number, 8);
}

/* The first reply comes after the last one and after the waiting time. */
static void delay_first(struct udp_relay *relay, struct relay_packet *packet)
{
    const struct timespec nap = { .tv_nsec = 600000000 };

    if (packet->way == RELAY_TO_CLIENT && packet->number == 0) {
        relay->held = *packet;
        return;
    }
    relay_send(relay, packet);
    if (packet->way == RELAY_TO_CLIENT && packet->number == 9) {
        (void) nanosleep(&nap, NULL);
        relay_send(relay, &relay->held);
    }
}

static void a_late_reply_is_kept_and_counts_as_lost(void **state)
{
    struct scene scene = scene_open(state);

    scene.spec.wait_ns = 500 * NS_PER_MS;
    scene_run(&scene, delay_first);
    const struct timing_probe *probe = scene_probe(&scene, 0);
    assert_int_equal(probe->state, PROBE_LATE);
    assert_true(probe->received_ns > probe->sent_ns + scene.spec.wait_ns);
    assert_int_equal(probe->reply_number, 10);
    assert_int_equal(scene_outcome(&scene, 0)->late_count, 1);
    assert_int_equal(scene_outcome(&scene, 0)->lost_count, 1);
    assert_int_equal(scene_outcome(&scene, 0)->answered_count, 9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        PAIR_TEST(every_probe_is_answered_and_both_ends_record_it),
        PAIR_TEST(the_times_in_the_packets_are_those_recorded),
        PAIR_TEST(a_probe_and_its_reply_are_of_one_size),
        PAIR_TEST(what_is_lost_is_known_for_each_way),
        PAIR_TEST(a_probe_whose_reply_is_the_last_and_lost_did_arrive),
        PAIR_TEST(what_is_doubled_is_kept_for_each_way_and_not_answered),
        PAIR_TEST(what_is_overtaken_is_seen_for_each_way),
        PAIR_TEST(a_late_reply_is_kept_and_counts_as_lost),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
