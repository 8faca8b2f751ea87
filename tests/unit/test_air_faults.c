/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * What a plan says of faults and events, against what becomes of packets that
 * cross its air on virtual time.
 */
#include "controller/plan/reader.h"
#include "controller/rehearsal/driver_virtual.h"
#include "tests/support/chances.h"

#include <bothends/rows.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* A packet of 200 B every 50 ms is alone in its frame. */
static const char plan_head[] =
    "plan: What goes wrong\n"
    "steps: [{name: slow, usable_rate: 600 kbit/s},\n"
    "        {name: quick, usable_rate: 1200 kbit/s}]\n"
    "controller_at: harbour\n"
    "sequence: [ping: {from: skerry, to: harbour, count: 4}]\n"
    "ends:\n"
    "  harbour: {role: hub, address: 10.71.0.2}\n"
    "  skerry: {role: station, address: 10.71.0.20}\n";
static const char second_station[] =
    "  holm: {role: station, address: 10.71.0.21}\n";

enum {
    HARBOUR,
    SKERRY,
    HOLM,
    GAP_MS = 50
};

struct seen {
    struct air_packet packet;
    enum air_fate fate;
};

struct fixture {
    struct plan plan;
    struct timeline *timeline;
    struct virtual_run run;
    struct virtual_source sources[4];
    struct rows seen; /* of struct seen, in the order of their end */
};

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct fixture *fixture = owner;
    struct seen *seen = rows_add(&fixture->seen);

    seen->packet = *packet;
    seen->fate = fate;
}

static void begin(struct fixture *fixture, const char *more_of_link,
                  const char *practice)
{
    struct plan_mistakes mistakes;
    struct fault fault = { 0 };
    char text[4096];

    memset(fixture, 0, sizeof(*fixture));
    fixture->seen.row_size = sizeof(struct seen);
    (void) snprintf(
        text, sizeof(text),
        "%s%slink: {slot_overhead: 2 ms, frame: {payload: 240 B}, "
        "%s%s}\npractice:\n  seed: 11\n%s",
        plan_head, strstr(more_of_link, "alternating") ? "" : second_station,
        strstr(more_of_link, "slot_limit") ? "" : "slot_limit: 200 ms",
        more_of_link, practice);
    if (plan_read_text(text, strlen(text), &fixture->plan, &mistakes) != 0)
        plan_mistakes_print(stderr, "plan", &mistakes);
    assert_int_equal(mistakes.count, 0);
    fixture->timeline = timeline_new(&fixture->plan, 0, NULL);
    fixture->run = (struct virtual_run){
        .timeline = fixture->timeline,
        .sources = fixture->sources,
        .listener = { .on_fate = on_fate, .owner = fixture },
    };
    if (air_config_from_plan(&fixture->plan, &fixture->run.config, &fault) != 0)
        fail_msg("%s", fault.text);
}

static void end(struct fixture *fixture)
{
    timeline_free(fixture->timeline);
    rows_clear(&fixture->seen);
    plan_clear(&fixture->plan);
}

static void send(struct fixture *fixture, size_t from, size_t to,
                 uint64_t packet_bytes)
{
    fixture->sources[fixture->run.source_count++] = (struct virtual_source){
        .from = from,
        .to = to,
        .packet_bytes = packet_bytes,
        .gap_ns = GAP_MS * NS_PER_MS,
        .end_ns = AIR_NEVER,
    };
}

/* So many packets of each source, and time for the last. */
static void carry(struct fixture *fixture, uint64_t packet_count)
{
    const uint64_t end_ns = packet_count * GAP_MS * NS_PER_MS;

    for (size_t i = 0; i < fixture->run.source_count; i++)
        fixture->sources[i].end_ns = end_ns;
    fixture->run.duration_ns = end_ns + 10 * NS_PER_S;
    virtual_run(&fixture->run);
    for (size_t i = 0; i < fixture->run.source_count; i++) {
        assert_int_equal(fixture->sources[i].offered_count, packet_count);
        assert_int_equal(fixture->sources[i].fates_count[FATE_UNFINISHED], 0);
    }
}

/* The same, from the hub to both stations and from both to the hub. */
static void carry_both_ways(struct fixture *fixture, const char *practice,
                            uint64_t packet_count)
{
    begin(fixture, "", practice);
    for (size_t station = SKERRY; station <= HOLM; station++) {
        send(fixture, station, HARBOUR, 200);
        send(fixture, HARBOUR, station, 200);
    }
    carry(fixture, packet_count);
}

static const struct seen *seen_at(const struct fixture *fixture, size_t i)
{
    return rows_at(&fixture->seen, i);
}

static bool is_way(const struct seen *seen, size_t from, size_t to)
{
    return seen->packet.from == from && seen->packet.to == to;
}

static void each_frame_is_lost_by_itself_as_often_as_the_plan_says(void **state)
{
    struct fixture fixture;
    struct lengths runs = { 0 };
    uint64_t length = 0;

    (void) state;
    begin(&fixture, "", "  loss: {chance: 15 %}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, 40000);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        if (seen_at(&fixture, i)->fate == FATE_LOST) {
            length++;
        } else {
            assert_int_equal(seen_at(&fixture, i)->fate, FATE_DELIVERED);
            if (length)
                lengths_add(&runs, length);
            length = 0;
        }
    }
    assert_hits(fixture.sources[0].fates_count[FATE_LOST], 40000, 0.15);
    assert_geometric(&runs, 1 / 0.85);
    end(&fixture);
}

/* Gilbert's chain, as in test_faults.c. */
static void bursts_of_lost_packets_are_as_long_as_the_plan_says(void **state)
{
    struct fixture fixture;
    struct lengths runs = { 0 }, gaps = { 0 };
    uint64_t length = 0;
    bool was_lost = false, has_edge = false;

    (void) state;
    begin(&fixture, "", "  loss: {chance: 10 %, burst: 5}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, 300000);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const bool is_lost = seen_at(&fixture, i)->fate == FATE_LOST;

        if (i > 0 && is_lost != was_lost) {
            if (has_edge)
                lengths_add(was_lost ? &runs : &gaps, length);
            has_edge = true;
            length = 0;
        }
        length++;
        was_lost = is_lost;
    }
    assert_geometric(&runs, 5);
    assert_geometric(&gaps, 5 * 0.9 / 0.1);
    end(&fixture);
}

/* E. O. Elliott's chain: how often two packets in a row are both lost, as in
 * test_faults_periods.c. */
static void bad_periods_lose_the_part_that_the_plan_says(void **state)
{
    enum {
        PACKET_COUNT = 300000
    };
    const double q = (0.1 - 0.02) / (0.6 - 0.02), b = 25;
    const double r = 1 - 1 / b - q / (b * (1 - q));
    const double apart = 0.58 * 0.58 * q * (1 - q);
    const double variance = 0.1 * 0.9 + 2 * apart * r / (1 - r);
    struct fixture fixture;
    double lost_count = 0, both_count = 0;
    bool was_lost = false;

    (void) state;
    begin(&fixture, "",
          "  loss: {chance: 10 %, burst: 25, within: 60 %, between: 2 %}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, PACKET_COUNT);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const bool is_lost = seen_at(&fixture, i)->fate == FATE_LOST;

        lost_count += is_lost;
        both_count += is_lost && was_lost;
        was_lost = is_lost;
    }
    assert_true(fabs(lost_count - 0.1 * PACKET_COUNT)
                < 5 * sqrt(PACKET_COUNT * variance));
    /* Of the lost ones, how many follow another: its error is less than that of
     * the loss itself. */
    print_message("%.4f after a lost one, theory %.4f\n",
                  both_count / lost_count, 0.1 + apart * r / 0.1);
    assert_true(fabs(both_count / lost_count - (0.1 + apart * r / 0.1))
                < 5 * sqrt(variance / PACKET_COUNT) / 0.1);
    end(&fixture);
}

static void a_packet_is_lost_with_any_of_its_frames(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, "", "  loss: {chance: 15 %}\n");
    send(&fixture, HARBOUR, SKERRY, 100); /* alone in one frame */
    carry(&fixture, 20000);
    assert_hits(fixture.sources[0].fates_count[FATE_LOST], 20000, 0.15);
    end(&fixture);
    begin(&fixture, ", mtu: 1500 B", "  loss: {chance: 15 %}\n");
    send(&fixture, HARBOUR, SKERRY, 260); /* in two */
    carry(&fixture, 20000);
    assert_hits(fixture.sources[0].fates_count[FATE_LOST], 20000,
                1 - 0.85 * 0.85);
    end(&fixture);
}

static void repeats_of_the_radio_repair_what_is_lost(void **state)
{
    enum {
        PACKET_COUNT = 40000,
        TRIES = 3
    };
    const double lost = 0.3;
    struct fixture fixture;
    uint64_t repeats[TRIES + 1] = { 0 }, last_ns = 0;
    double expected[TRIES + 1], left = PACKET_COUNT;

    (void) state;
    begin(&fixture, ", repeats: {limit: 2}", "  loss: {chance: 30 %}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, PACKET_COUNT);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);

        assert_true(seen->packet.enqueued_ns >= last_ns); /* in order */
        last_ns = seen->packet.enqueued_ns;
        if (seen->fate == FATE_DELIVERED)
            repeats[seen->packet.repeats_count]++;
        else
            repeats[TRIES]++;
    }
    for (size_t i = 0; i < TRIES; i++) {
        expected[i] = left * (1 - lost);
        left -= expected[i];
    }
    expected[TRIES] = left;
    assert_fits(repeats, expected, TRIES + 1);
    assert_hits(repeats[TRIES], PACKET_COUNT, lost * lost * lost);
    end(&fixture);
}

static void
packets_are_doubled_and_corrupted_as_often_as_the_plan_says(void **state)
{
    enum {
        PACKET_COUNT = 40000
    };
    struct fixture fixture;
    uint64_t kinds[4] = { 0 };
    const double expected[] = { 0.9 * 0.8 * PACKET_COUNT,
                                0.1 * 0.8 * PACKET_COUNT,
                                0.9 * 0.2 * PACKET_COUNT,
                                0.1 * 0.2 * PACKET_COUNT };

    (void) state;
    begin(&fixture, "",
          "  duplicates: {chance: 10 %}\n  corruption: {chance: 20 %}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, PACKET_COUNT);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);

        kinds[(seen->packet.copies_count == 2)
              + 2 * (seen->fate == FATE_CORRUPTED)]++;
    }
    assert_fits(kinds, expected, 4);
    end(&fixture);
}

/* A packet held back for 130 ms is overtaken by the next one or the one after
 * it, sent 50 and 100 ms later, unless both are held back too: reordered in
 * the sense of RFC 4737. */
static void held_packets_are_overtaken_by_later_ones(void **state)
{
    enum {
        PACKET_COUNT = 40000
    };
    struct fixture fixture;
    uint64_t reordered_count = 0, held_count = 0, newest_ns = 0;

    (void) state;
    begin(&fixture, "", "  reordering: {chance: 10 %, by: 130 ms}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, PACKET_COUNT);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct air_packet *packet = &seen_at(&fixture, i)->packet;

        held_count += packet->over_ns - packet->enqueued_ns > 130 * NS_PER_MS;
        reordered_count += packet->enqueued_ns < newest_ns;
        if (packet->enqueued_ns > newest_ns)
            newest_ns = packet->enqueued_ns;
    }
    assert_hits(held_count, PACKET_COUNT, 0.1);
    assert_hits(reordered_count, PACKET_COUNT, 0.1 * (1 - 0.1 * 0.1));
    end(&fixture);
}

/* Loss by eighth of the period, from the plan's fading alone. */
static void fading_goes_up_and_down_with_its_period(void **state)
{
    enum {
        PACKET_COUNT = 40000,
        PART_COUNT = 8
    };
    const double turn = 2 * acos(-1.0);
    struct fixture fixture;
    uint64_t counts[2 * PART_COUNT] = { 0 }, sums[PART_COUNT] = { 0 };
    double expected[2 * PART_COUNT];

    (void) state;
    begin(&fixture, "", "  fading: {chance: 60 %, period: 20 s}\n");
    send(&fixture, SKERRY, HARBOUR, 200);
    carry(&fixture, PACKET_COUNT);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);
        const size_t part = seen->packet.over_ns % (20 * NS_PER_S)
                            / (20 * NS_PER_S / PART_COUNT);

        sums[part]++;
        counts[2 * part + (seen->fate == FATE_LOST)]++;
    }
    for (size_t i = 0; i < PART_COUNT; i++) {
        const double a = turn * (double) i / PART_COUNT;
        const double b = turn * (double) (i + 1) / PART_COUNT;
        const double chance =
            0.6 * (1 - (sin(b) - sin(a)) * PART_COUNT / turn) / 2;

        expected[2 * i] = (double) sums[i] * (1 - chance);
        expected[2 * i + 1] = (double) sums[i] * chance;
    }
    assert_fits(counts, expected, COUNT_OF(counts));
    end(&fixture);
}

static void an_outage_takes_what_is_sent_in_it_and_nothing_else(void **state)
{
    struct fixture fixture;
    uint64_t outage_count = 0;

    (void) state;
    carry_both_ways(&fixture,
                    "  events:\n"
                    "    - {at: 100 s, for: 7 s, what: outage, from: skerry}\n",
                    4000);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);
        const bool is_out = is_way(seen, SKERRY, HARBOUR)
                            && seen->packet.over_ns >= 100 * NS_PER_S
                            && seen->packet.over_ns < 107 * NS_PER_S;

        assert_int_equal(seen->fate, is_out ? FATE_OUTAGE : FATE_DELIVERED);
        outage_count += is_out;
    }
    /* 140 in 7 s, give or take the two at the edges. */
    assert_in_range(outage_count, 138, 142);
    end(&fixture);
}

static void
a_station_that_is_away_hears_nothing_and_keeps_what_it_has(void **state)
{
    struct fixture fixture;
    uint64_t away_count = 0, waited_count = 0;

    (void) state;
    carry_both_ways(&fixture,
                    "  queue: 100 kB\n"
                    "  events:\n"
                    "    - {at: 60 s, for: 10 s, what: away, end: skerry}\n",
                    3000);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);
        const uint64_t over_ns = seen->packet.over_ns;
        const bool is_in = over_ns > 60 * NS_PER_S + 100 * NS_PER_MS
                           && over_ns < 70 * NS_PER_S;

        if (is_way(seen, HARBOUR, SKERRY)) {
            assert_true(!is_in || seen->fate == FATE_AWAY);
            away_count += seen->fate == FATE_AWAY;
            continue;
        }
        assert_int_equal(seen->fate, FATE_DELIVERED);
        assert_false(is_in && is_way(seen, SKERRY, HARBOUR));
        waited_count += is_way(seen, SKERRY, HARBOUR)
                        && over_ns - seen->packet.enqueued_ns > NS_PER_S;
    }
    assert_in_range(away_count, 199, 202);
    assert_true(waited_count >= 170);
    end(&fixture);
}

static void a_step_at_one_end_only_is_no_contact_with_that_end(void **state)
{
    struct fixture fixture;
    uint64_t differs_count = 0;

    (void) state;
    carry_both_ways(
        &fixture,
        "  events:\n"
        "    - {at: 20 s, for: 5 s, what: step, end: skerry, step: quick}\n",
        1000);
    for (size_t i = 0; i < fixture.seen.count; i++) {
        const struct seen *seen = seen_at(&fixture, i);
        const uint64_t over_ns = seen->packet.over_ns;
        const bool is_holm =
            is_way(seen, HARBOUR, HOLM) || is_way(seen, HOLM, HARBOUR);

        differs_count += seen->fate == FATE_STEP_DIFFERS;
        if (is_holm || over_ns < 20 * NS_PER_S
            || over_ns > 25 * NS_PER_S + 200 * NS_PER_MS)
            assert_int_equal(seen->fate, FATE_DELIVERED);
        else if (over_ns > 20 * NS_PER_S + 200 * NS_PER_MS
                 && over_ns < 25 * NS_PER_S)
            assert_int_equal(seen->fate, FATE_STEP_DIFFERS);
    }
    assert_in_range(differs_count, 190, 210);
    end(&fixture);
}

/* Fates of a way in the order in which its packets were sent. */
static size_t fates_of_way(const struct fixture *fixture, size_t from,
                           size_t to, enum air_fate *ret_fates, size_t room)
{
    size_t count = 0;

    for (size_t i = 0; i < fixture->seen.count && count < room; i++) {
        if (is_way(seen_at(fixture, i), from, to))
            ret_fates[count++] = seen_at(fixture, i)->fate;
    }
    return count;
}

static void a_change_of_one_way_leaves_the_other_as_it_was(void **state)
{
    static const char *const practices[] = {
        "  loss: {chance: 20 %, burst: 3}\n",
        "  loss: {chance: 20 %, burst: 3}\n"
        "  events:\n"
        "    - {what: loss, chance: 60 %, from: harbour, to: skerry}\n",
    };
    enum {
        PACKET_COUNT = 3000
    };
    static enum air_fate up[2][PACKET_COUNT], down[2][PACKET_COUNT];

    (void) state;
    for (size_t i = 0; i < 2; i++) {
        struct fixture fixture;

        begin(&fixture, "", practices[i]);
        send(&fixture, SKERRY, HARBOUR, 200);
        send(&fixture, HARBOUR, SKERRY, 200);
        carry(&fixture, PACKET_COUNT);
        assert_int_equal(
            fates_of_way(&fixture, SKERRY, HARBOUR, up[i], PACKET_COUNT),
            PACKET_COUNT);
        assert_int_equal(
            fates_of_way(&fixture, HARBOUR, SKERRY, down[i], PACKET_COUNT),
            PACKET_COUNT);
        end(&fixture);
    }
    assert_memory_equal(up[0], up[1], sizeof(up[0]));
    assert_memory_not_equal(down[0], down[1], sizeof(down[0]));
}

static void each_receiver_loses_frames_by_itself(void **state)
{
    struct fixture fixture;
    enum {
        PACKET_COUNT = 20000
    };
    static enum air_fate near[PACKET_COUNT], far[PACKET_COUNT];
    uint64_t both[4] = { 0 };
    const double expected[] = { 0.8 * 0.9 * PACKET_COUNT,
                                0.2 * 0.9 * PACKET_COUNT,
                                0.8 * 0.1 * PACKET_COUNT,
                                0.2 * 0.1 * PACKET_COUNT };

    (void) state;
    begin(&fixture, "",
          "  loss: {chance: 20 %}\n"
          "  events:\n"
          "    - {what: loss, chance: 10 %, to: holm}\n");
    send(&fixture, HARBOUR, SKERRY, 100);
    send(&fixture, HARBOUR, HOLM, 100); /* in the same frame */
    carry(&fixture, PACKET_COUNT);
    (void) fates_of_way(&fixture, HARBOUR, SKERRY, near, PACKET_COUNT);
    (void) fates_of_way(&fixture, HARBOUR, HOLM, far, PACKET_COUNT);
    for (size_t i = 0; i < PACKET_COUNT; i++)
        both[(near[i] == FATE_LOST) + 2 * (far[i] == FATE_LOST)]++;
    assert_fits(both, expected, 4);
    end(&fixture);
}

/* Every way of sharing the channel; alternating has one station. */
static const char *const sharings[] = {
    ", access: scheduled",
    "slot_limit: 9 ms, slots: fixed",
    ", stations: 7",
    ", access: alternating",
    ", access: contention, contention: {slot: 1 ms, window: 8}",
    ", access: contention, contention: {carrier_sense: no}",
    ", access: full-duplex",
};

static void faults_are_the_same_however_the_channel_is_shared(void **state)
{
    enum {
        PACKET_COUNT = 10000
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(sharings); i++) {
        struct fixture fixture;
        uint64_t doubled_count = 0, heard_count = 0;

        print_message("%s\n", sharings[i]);
        begin(&fixture, sharings[i],
              "  loss: {chance: 25 %}\n  duplicates: {chance: 30 %}\n"
              "  corruption: {chance: 5 %}\n");
        send(&fixture, SKERRY, HARBOUR, 200);
        carry(&fixture, PACKET_COUNT);
        for (size_t j = 0; j < fixture.seen.count; j++) {
            const struct seen *seen = seen_at(&fixture, j);

            heard_count += seen->fate != FATE_LOST;
            doubled_count +=
                seen->fate != FATE_LOST && seen->packet.copies_count == 2;
        }
        assert_hits(PACKET_COUNT - heard_count, PACKET_COUNT, 0.25);
        assert_hits(doubled_count, heard_count, 0.3);
        assert_hits(fixture.sources[0].fates_count[FATE_CORRUPTED], heard_count,
                    0.05);
        end(&fixture);
    }
}

static void
an_absence_ends_as_it_began_however_the_channel_is_shared(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(sharings); i++) {
        struct fixture fixture;
        uint64_t late_count = 0;

        print_message("%s\n", sharings[i]);
        begin(&fixture, sharings[i],
              "  queue: 100 kB\n"
              "  events:\n"
              "    - {at: 20025 ms, for: 5 s, what: away, end: skerry}\n"
              "    - {at: 40025 ms, for: 5 s, what: outage, end: skerry}\n");
        send(&fixture, SKERRY, HARBOUR, 200);
        carry(&fixture, 1200);
        for (size_t j = 0; j < fixture.seen.count; j++) {
            const struct seen *seen = seen_at(&fixture, j);
            const uint64_t at_ns = seen->packet.enqueued_ns;
            const bool is_out =
                at_ns > 40025 * NS_PER_MS && at_ns < 45025 * NS_PER_MS;

            assert_int_equal(seen->fate, is_out ? FATE_OUTAGE : FATE_DELIVERED);
            late_count += seen->packet.over_ns - at_ns > 100 * NS_PER_MS;
        }
        /* What came up in the absence waited for its end: 100 packets, but for
         * the last two; and some that came up while these were sent. */
        assert_in_range(late_count, 98, 150);
        end(&fixture);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            each_frame_is_lost_by_itself_as_often_as_the_plan_says),
        cmocka_unit_test(bursts_of_lost_packets_are_as_long_as_the_plan_says),
        cmocka_unit_test(bad_periods_lose_the_part_that_the_plan_says),
        cmocka_unit_test(a_packet_is_lost_with_any_of_its_frames),
        cmocka_unit_test(repeats_of_the_radio_repair_what_is_lost),
        cmocka_unit_test(
            packets_are_doubled_and_corrupted_as_often_as_the_plan_says),
        cmocka_unit_test(held_packets_are_overtaken_by_later_ones),
        cmocka_unit_test(fading_goes_up_and_down_with_its_period),
        cmocka_unit_test(an_outage_takes_what_is_sent_in_it_and_nothing_else),
        cmocka_unit_test(
            a_station_that_is_away_hears_nothing_and_keeps_what_it_has),
        cmocka_unit_test(a_step_at_one_end_only_is_no_contact_with_that_end),
        cmocka_unit_test(a_change_of_one_way_leaves_the_other_as_it_was),
        cmocka_unit_test(each_receiver_loses_frames_by_itself),
        cmocka_unit_test(faults_are_the_same_however_the_channel_is_shared),
        cmocka_unit_test(
            an_absence_ends_as_it_began_however_the_channel_is_shared),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
