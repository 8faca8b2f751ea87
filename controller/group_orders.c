/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/group.h"

#include "agent/wire/messages.h"
#include "controller/quantity.h"

#include <string.h>

/* A start lies at least so long after the last answer. */
static const uint64_t least_lead_ns = NS_PER_S;
/* Orders are repeated with a later start when an answer came too late. */
static const unsigned starts_most = 6;

#define HTTP_CONFLICT 409

/* The agent's clock was past the start when the order came in, for it was held
 * up on the link: its answer points at that key. */
static bool was_too_late(const struct ends_answer *answer)
{
    const char *place =
        json_string_value(json_object_get(answer->body, "place"));

    return place && strcmp(place, "start_ns") == 0;
}

static bool anyone_is_told(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        if (group->parts[i][0].is_told || group->parts[i][1].is_told)
            return true;
    }
    return false;
}

/* Told of a later start when it had begun at an earlier one: the answer that
 * would have said so in time was held up on the link. */
static bool has_begun(const struct ends_answer *answer)
{
    const char *state =
        json_string_value(json_object_get(answer->body, "state"));

    return state && strcmp(state, account_states[ACCOUNT_ARMED]) != 0;
}

/* The end can't do its part, so nothing of the group is measured. */
static void take_refusal(struct group *group, int end,
                         const struct ends_answer *answer)
{
    char taken[32];

    group->is_refused = true;
    quantity_show(UNIT_DURATION, (double) answer->taken_ns, taken,
                  sizeof(taken));
    if (was_too_late(answer))
        (void) snprintf(group->refusal, sizeof(group->refusal),
                        "the order reached %s too late (its answer took %s), "
                        "so nothing was measured: is the link losing much, or "
                        "is other traffic on it?",
                        group_end_name(group, end), taken);
    else
        (void) snprintf(group->refusal, sizeof(group->refusal),
                        "nothing was measured: %.370s", answer->text);
}

static int take_answer(struct group *group, struct part *part, int end,
                       const struct ends_answer *answer, struct fault *fault)
{
    /* Another run is at that end: all further groups would hear the same. */
    if (answer->status == HTTP_CONFLICT)
        return fault_set(fault, UV_EADDRINUSE, "%s", answer->text);
    if (answer->status < 400) {
        part->is_told = true;
        group->is_astray = has_begun(answer);
        return 0;
    }
    /* While nobody has begun, another start will do. */
    group->is_overtaken = group->may_start_later && was_too_late(answer)
                          && !anyone_is_told(group);
    if (!group->is_overtaken)
        take_refusal(group, end, answer);
    return 0;
}

static int put_order(struct group *group, size_t exchange, size_t number,
                     uint64_t *ret_taken_ns, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    struct part *part = &group->parts[exchange][number];
    struct order_part *ordered = &group->exchanges[exchange].parts[number];
    struct exchange_order *order = &ordered->order;
    struct ends_answer answer = { 0 };
    json_t *body = NULL;
    char target[64];

    if (ends_clock(conductor->ends, ordered->end, &part->clock))
        return fault_set(fault, UV_EAGAIN, "%s has not told its clock yet",
                         group_end_name(group, ordered->end));
    order->start_ns =
        (uint64_t) ((int64_t) group->start_ns - part->clock.offset_ns);
    order->stop_ns = order->start_ns + group->exchanges[exchange].longest_ns
                     + GROUP_STOP_MARGIN_NS;
    int code = order_encode(order, &body, fault);
    if (code)
        return code;
    (void) snprintf(target, sizeof(target), "/exchanges/%s", order->id);
    const struct ends_question question = {
        .method = "PUT",
        .target = target,
        .body = body,
        .timeout_ms = conductor_timeout_ms(conductor, 1000),
    };
    code = ends_ask(conductor->ends, ordered->end, &question, &answer, fault);
    json_decref(body);
    if (code)
        return code;
    *ret_taken_ns = answer.taken_ns;
    code = take_answer(group, part, ordered->end, &answer, fault);
    ends_answer_clear(&answer);
    return code;
}

/* The agents read their radios when they are told, and must be through. */
static uint64_t readings_lead_ns(const struct group *group)
{
    const uint64_t took_ns = group->conductor->readings_ns;

    return took_ns ? took_ns + took_ns / 2 + 100 * NS_PER_MS : 0;
}

uint64_t group_lead_ns(uint64_t round_trip_ns)
{
    const uint64_t lead_ns = GROUP_LEAD_ROUND_TRIPS * round_trip_ns;

    return lead_ns > least_lead_ns ? lead_ns : least_lead_ns;
}

/* Would so many more orders be taken too late for the start? */
static bool is_late(const struct group *group, size_t left_count,
                    uint64_t taken_ns)
{
    return uv_hrtime() + left_count * taken_ns + group_lead_ns(taken_ns)
               + readings_lead_ns(group)
           > group->start_ns;
}

/* All receiving parts come before all sending ones.  Ends early when the start
 * can't be kept: those that were told must be told another one before it. */
static int put_orders(struct group *group, size_t far_count,
                      uint64_t *ret_longest_ns, bool *ret_in_time,
                      struct fault *fault)
{
    *ret_longest_ns = 0;
    *ret_in_time = false;
    group->is_overtaken = false;
    for (size_t turn = 0; turn < 2; turn++) {
        for (size_t i = 0; i < group->exchange_count; i++) {
            const struct ordered_exchange *exchange = &group->exchanges[i];
            const size_t number = exchange->part_count - 2 + turn;
            uint64_t taken_ns = 0;

            if (number >= exchange->part_count) /* of one part: no receiver */
                continue;
            const int code = put_order(group, i, number, &taken_ns, fault);
            if (code || group->is_refused || group->is_astray)
                return code;
            if (group->is_overtaken) {
                *ret_longest_ns = taken_ns;
                return 0;
            }
            if (ends_is_own(group->conductor->ends,
                            exchange->parts[number].end))
                continue;
            if (taken_ns > *ret_longest_ns)
                *ret_longest_ns = taken_ns;
            if (is_late(group, --far_count, *ret_longest_ns))
                return 0;
        }
    }
    *ret_in_time = !is_late(group, 0, *ret_longest_ns);
    return 0;
}

static void set_start(struct group *group, uint64_t start_ns)
{
    uint64_t planned_ns = 0, longest_ns = 0;

    for (size_t i = 0; i < group->exchange_count; i++) {
        if (group->exchanges[i].planned_ns > planned_ns)
            planned_ns = group->exchanges[i].planned_ns;
        if (group->exchanges[i].longest_ns > longest_ns)
            longest_ns = group->exchanges[i].longest_ns;
    }
    group->start_ns = start_ns;
    group->planned_end_ns = start_ns + planned_ns;
    group->latest_end_ns = start_ns + longest_ns + GROUP_STOP_MARGIN_NS;
}

/* Orders that go over the link, and the round trip that the slowest of their
 * ends had last. */
size_t group_far_orders(const struct group *group, uint64_t *ret_round_trip_ns)
{
    size_t count = 0;

    *ret_round_trip_ns = 0;
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const int end = group->exchanges[i].parts[k].end;
            struct ends_clock clock;

            if (ends_is_own(group->conductor->ends, end))
                continue;
            count++;
            if (ends_clock(group->conductor->ends, end, &clock) == 0
                && clock.latest_round_trip_ns > *ret_round_trip_ns)
                *ret_round_trip_ns = clock.latest_round_trip_ns;
        }
    }
    return count;
}

int group_tell_ends(struct group *group, struct fault *fault)
{
    uint64_t round_trip_ns;
    const size_t far_count = group_far_orders(group, &round_trip_ns);

    for (unsigned tries = 1; tries <= starts_most; tries++) {
        uint64_t longest_ns;

        group->may_start_later = tries < starts_most;
        set_start(group,
                  uv_hrtime() + group_lead_ns(round_trip_ns)
                      + readings_lead_ns(group)
                      + tries * (far_count * round_trip_ns + 100 * NS_PER_MS));
        group_show_live(group, "telling the ends");
        bool in_time;
        const int code =
            put_orders(group, far_count, &longest_ns, &in_time, fault);
        if (code || group->is_refused || group->is_astray || in_time)
            return code;
        if (longest_ns > round_trip_ns)
            round_trip_ns = longest_ns;
    }
    return fault_set(fault, UV_ETIMEDOUT,
                     "no common start in %u tries: the answers to the orders "
                     "take longer each time (last %llu ms); is other traffic "
                     "on the link?",
                     starts_most,
                     (unsigned long long) (round_trip_ns / NS_PER_MS));
}
