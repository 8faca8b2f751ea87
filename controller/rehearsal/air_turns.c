/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

/* The flow of a turn, top to bottom. */
static void begin_turn(struct air *air, struct channel *channel,
                       uint64_t at_ns);
static void look_into_queue(struct air *air, struct channel *channel,
                            uint64_t now_ns);
static void pass_sender(struct air *air, struct channel *channel);
static void pass_turn(struct air *air, struct channel *channel, uint64_t at_ns);

/* When the first of them has something to send; AIR_NEVER: nobody waits. */
static uint64_t first_ready_ns(const struct air *air,
                               const struct channel *channel)
{
    uint64_t first_ns = AIR_NEVER;

    for (size_t i = 0; i < channel->member_count; i++) {
        const uint64_t ready_ns =
            radio_ready_ns(&air->radios[channel->members[i]]);

        first_ns = ready_ns < first_ns ? ready_ns : first_ns;
    }
    return first_ns;
}

static bool is_holder_ready(const struct air *air,
                            const struct channel *channel, uint64_t at_ns)
{
    const size_t end = channel->ring[channel->place];

    return end != AIR_NOBODY && radio_is_ready(&air->radios[end], at_ns);
}

uint64_t turns_edge_ns(const struct air *air, const struct channel *channel)
{
    switch (channel->state) {
    case TURN_SENDING:
        return air->radios[channel->ring[channel->place]].edge_ns;
    case TURN_REST: {
        const uint64_t ready_ns = first_ready_ns(air, channel);

        return ready_ns > channel->turn_ns ? ready_ns : channel->turn_ns;
    }
    case TURN_LOOK:
    case TURN_OVER:
        break;
    }
    return channel->edge_ns;
}

uint64_t turns_due_ns(const struct air *air, const struct channel *channel)
{
    if (channel->state != TURN_SENDING
        && first_ready_ns(air, channel) == AIR_NEVER)
        return AIR_NEVER;
    return turns_edge_ns(air, channel);
}

/* --- whose turn ----------------------------------------------------------- */

static void fill_ring(const struct air *air, struct channel *channel)
{
    channel->ring_count = 0;
    for (size_t i = 0; i < channel->member_count; i++) {
        if (!air->radios[channel->members[i]].is_away)
            channel->ring[channel->ring_count++] = channel->members[i];
    }
    for (uint64_t i = 0; i < channel->further_count; i++)
        channel->ring[channel->ring_count++] = AIR_NOBODY;
    if (channel->place >= channel->ring_count)
        channel->place = 0;
}

/* The turn goes to the next one that has something to send. */
static void find_ready(const struct air *air, struct channel *channel,
                       uint64_t at_ns)
{
    for (size_t i = 0; i < channel->ring_count; i++) {
        if (is_holder_ready(air, channel, at_ns))
            return;
        channel->place = (channel->place + 1) % channel->ring_count;
    }
}

static void begin_turn(struct air *air, struct channel *channel, uint64_t at_ns)
{
    air_settle_steps(air);
    channel->turn_ns = at_ns;
    channel->state = TURN_LOOK;
    channel->edge_ns = at_ns + channel->look_after_ns;
}

void turns_begin(struct air *air, struct channel *channel, uint64_t at_ns)
{
    if (channel->others.next_ns <= at_ns)
        turns_tell_idle(air, channel);
    at_ns = others_until_ns(air, &channel->others, at_ns, at_ns);
    fill_ring(air, channel);
    if (!channel->ring_count
        || (channel->rests && first_ready_ns(air, channel) > at_ns)) {
        channel->state = TURN_REST;
        channel->turn_ns = at_ns;
        return;
    }
    if (!channel->idle_turn_ns)
        find_ready(air, channel, at_ns);
    begin_turn(air, channel, at_ns);
}

void turns_wake(struct air *air, struct channel *channel, uint64_t at_ns)
{
    if (channel->state != TURN_REST || first_ready_ns(air, channel) > at_ns)
        return;
    turns_tell_idle(air, channel);
    at_ns = others_until_ns(air, &channel->others, channel->turn_ns, at_ns);
    fill_ring(air, channel);
    find_ready(air, channel, at_ns);
    begin_turn(air, channel, at_ns);
}

/* --- idle turns ----------------------------------------------------------- */

void turns_tell_idle(struct air *air, struct channel *channel)
{
    if (channel->idle.turns_count && air->listener.on_idle)
        air->listener.on_idle(air->listener.owner, &channel->idle);
    channel->idle.turns_count = 0;
}

static void count_idle_turns(struct channel *channel, uint64_t turns_count)
{
    const size_t ring_count = channel->ring_count;
    struct air_idle *idle = &channel->idle;

    if (!idle->turns_count)
        *idle = (struct air_idle){ .first_from = channel->ring[channel->place],
                                   .began_ns = channel->turn_ns };
    idle->turns_count += turns_count;
    idle->ended_ns = channel->turn_ns + turns_count * channel->idle_turn_ns;
    for (size_t i = 0; i < ring_count; i++) {
        const size_t end = channel->ring[(channel->place + i) % ring_count];

        if (end != AIR_NOBODY)
            idle->turns_by_end_count[end] +=
                (turns_count + ring_count - 1 - i) / ring_count;
    }
}

/* Nothing waits anywhere: let whole turns pass at once, those whose holders
 * have looked by now_ns, or until other users of the channel come. */
static void pass_idle_turns(struct air *air, struct channel *channel,
                            uint64_t now_ns)
{
    const uint64_t turn_ns = channel->idle_turn_ns;
    const uint64_t others_ns = channel->others.next_ns;
    uint64_t turns_count = (now_ns - channel->edge_ns) / turn_ns + 1;

    if (others_ns != AIR_NEVER) {
        /* A turn may be told ahead, and others be set to come before it. */
        const uint64_t left_ns =
            others_ns > channel->turn_ns ? others_ns - channel->turn_ns : 0;
        const uint64_t most_count = (left_ns + turn_ns - 1) / turn_ns;

        turns_count = most_count < turns_count ? most_count : turns_count;
    }
    count_idle_turns(channel, turns_count);
    channel->place = (channel->place + turns_count) % channel->ring_count;
    turns_begin(air, channel, channel->turn_ns + turns_count * turn_ns);
}

/* --- a turn --------------------------------------------------------------- */

static void pass_turn(struct air *air, struct channel *channel, uint64_t at_ns)
{
    channel->place = (channel->place + 1) % channel->ring_count;
    turns_begin(air, channel, at_ns);
}

static void wait_until(struct air *air, struct channel *channel,
                       uint64_t from_ns, uint64_t until_ns)
{
    if (until_ns > from_ns) {
        channel->state = TURN_OVER;
        channel->edge_ns = until_ns;
    } else {
        pass_turn(air, channel, from_ns);
    }
}

static void look_into_queue(struct air *air, struct channel *channel,
                            uint64_t now_ns)
{
    if (is_holder_ready(air, channel, channel->edge_ns)) {
        turns_tell_idle(air, channel);
        radio_begin(air, channel->ring[channel->place], channel->turn_ns,
                    channel->edge_ns);
        channel->state = TURN_SENDING;
    } else if (!channel->rests && first_ready_ns(air, channel) == AIR_NEVER) {
        pass_idle_turns(air, channel, now_ns);
    } else {
        count_idle_turns(channel, 1);
        wait_until(air, channel, channel->edge_ns,
                   channel->turn_ns + channel->idle_turn_ns);
    }
}

static void pass_sender(struct air *air, struct channel *channel)
{
    const size_t end = channel->ring[channel->place];

    if (radio_pass_edge(air, end))
        wait_until(air, channel, air->radios[end].edge_ns,
                   channel->is_fixed
                       ? channel->turn_ns + air->config.slot_limit_ns
                       : 0);
}

void turns_pass_edge(struct air *air, struct channel *channel, uint64_t now_ns)
{
    switch (channel->state) {
    case TURN_LOOK:
        look_into_queue(air, channel, now_ns);
        break;
    case TURN_SENDING:
        pass_sender(air, channel);
        break;
    case TURN_OVER:
        pass_turn(air, channel, channel->edge_ns);
        break;
    case TURN_REST:
        turns_wake(air, channel, turns_edge_ns(air, channel));
        break;
    }
}
