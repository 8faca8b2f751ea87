/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

static uint64_t earlier(uint64_t a_ns, uint64_t b_ns)
{
    return a_ns < b_ns ? a_ns : b_ns;
}

static uint64_t later(uint64_t a_ns, uint64_t b_ns)
{
    return a_ns > b_ns ? a_ns : b_ns;
}

static bool is_any_sending(const struct air *air)
{
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].is_sending)
            return true;
    }
    return false;
}

/* --- before a transmission ------------------------------------------------ */

static uint64_t draw_wait_count(struct air *air, const struct contender *one)
{
    return (uint64_t) (draw_unit(&air->draw) * (double) one->window_count);
}

/* The contention slot's edge at at_ns or after it. */
static uint64_t next_slot_ns(const struct air *air, uint64_t since_ns,
                             uint64_t at_ns)
{
    const uint64_t slot_ns = air->config.contention_slot_ns;

    return since_ns + (at_ns - since_ns + slot_ns - 1) / slot_ns * slot_ns;
}

/* Listens first: counts down on the free channel. */
static void join_with_sense(struct air *air, const struct channel *channel,
                            struct contender *one, uint64_t at_ns)
{
    one->wait_count = draw_wait_count(air, one);
    one->state = CONTENTION_HELD;
    if (channel->is_busy)
        return;
    one->state = CONTENTION_COUNTING;
    one->begin_ns = next_slot_ns(air, channel->free_since_ns, at_ns)
                    + one->wait_count * air->config.contention_slot_ns;
}

/* Transmits at once, but for what collided before. */
static void join_blindly(struct air *air, struct contender *one, uint64_t at_ns,
                         bool has_collided)
{
    uint64_t begin_ns = at_ns;

    if (has_collided)
        begin_ns += draw_wait_count(air, one) * air->config.contention_slot_ns;
    one->state = CONTENTION_COUNTING;
    one->begin_ns = air->config.contention_slotted
                        ? next_slot_ns(air, air->began_ns, begin_ns)
                        : begin_ns;
}

static void join(struct air *air, const struct channel *channel, size_t end,
                 uint64_t at_ns, bool has_collided)
{
    struct radio *radio = &air->radios[end];

    if (radio->is_sending || radio->contender.state != CONTENTION_NOTHING
        || !radio_is_ready(radio, at_ns))
        return;
    if (air->config.carrier_sense)
        join_with_sense(air, channel, &radio->contender, at_ns);
    else
        join_blindly(air, &radio->contender, at_ns, has_collided);
}

void contention_wake(struct air *air, struct channel *channel, size_t end,
                     uint64_t at_ns)
{
    join(air, channel, end, at_ns, false);
}

/* --- the channel is taken, and free again --------------------------------- */

/* Who counts down keeps what is left: a slot that was cut short counts not. */
static void take_channel(struct air *air, struct channel *channel,
                         uint64_t at_ns)
{
    const uint64_t slot_ns = air->config.contention_slot_ns;

    channel->is_busy = true;
    if (!air->config.carrier_sense)
        return;
    for (size_t i = 0; i < channel->member_count; i++) {
        struct contender *one = &air->radios[channel->members[i]].contender;

        if (one->state != CONTENTION_COUNTING)
            continue;
        one->state = CONTENTION_HELD;
        one->wait_count = (one->begin_ns - at_ns + slot_ns - 1) / slot_ns;
    }
}

static void free_channel(struct air *air, struct channel *channel,
                         uint64_t at_ns)
{
    if (is_any_sending(air) || channel->others.busy_until_ns > at_ns)
        return;
    channel->is_busy = false;
    channel->free_since_ns = at_ns;
    for (size_t i = 0; i < channel->member_count; i++) {
        struct contender *one = &air->radios[channel->members[i]].contender;

        if (one->state != CONTENTION_HELD)
            continue;
        one->state = CONTENTION_COUNTING;
        one->begin_ns =
            at_ns + one->wait_count * air->config.contention_slot_ns;
    }
}

/* --- edges ---------------------------------------------------------------- */

static void begin_transmission(struct air *air, struct channel *channel,
                               size_t end, uint64_t at_ns)
{
    const bool overlaps =
        is_any_sending(air) || channel->others.busy_until_ns > at_ns;

    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].is_sending)
            radio_hit(&air->radios[i]);
    }
    radio_begin(air, end, at_ns, at_ns);
    if (overlaps)
        radio_hit(&air->radios[end]);
}

/* All whose time has come: with carrier sense they collide. */
static void begin_due(struct air *air, struct channel *channel, uint64_t at_ns)
{
    air_settle_steps(air);
    for (size_t i = 0; i < channel->member_count; i++) {
        const size_t end = channel->members[i];
        struct contender *one = &air->radios[end].contender;

        if (one->state != CONTENTION_COUNTING || one->begin_ns != at_ns)
            continue;
        one->state = CONTENTION_NOTHING;
        if (radio_is_ready(&air->radios[end], at_ns))
            begin_transmission(air, channel, end, at_ns);
    }
    if (is_any_sending(air))
        take_channel(air, channel, at_ns);
}

static void after_transmission(struct air *air, struct channel *channel,
                               size_t end, uint64_t at_ns)
{
    const struct air_config *config = &air->config;
    const struct radio *radio = &air->radios[end];
    struct contender *one = &air->radios[end].contender;
    const bool will_repeat =
        radio->has_collided && config->repeats_limit_count > 0;

    if (!will_repeat)
        one->window_count = config->contention_window_count;
    else if (2 * one->window_count <= config->contention_window_most_count)
        one->window_count *= 2;
    else
        one->window_count = config->contention_window_most_count;
    free_channel(air, channel, at_ns);
    join(air, channel, end, at_ns, will_repeat);
}

static void others_come(struct air *air, struct channel *channel,
                        uint64_t at_ns)
{
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].is_sending)
            radio_hit(&air->radios[i]);
    }
    (void) others_begin(air, &channel->others, at_ns);
    take_channel(air, channel, at_ns);
}

/* When other users begin; they listen first if our own ends do. */
static uint64_t others_ns(const struct air *air, const struct channel *channel)
{
    const struct others *others = &channel->others;

    if (others->next_ns == AIR_NEVER)
        return AIR_NEVER;
    if (!air->config.carrier_sense)
        return later(others->next_ns, others->busy_until_ns);
    return channel->is_busy ? AIR_NEVER
                            : later(others->next_ns, channel->free_since_ns);
}

/* What happens first, and when. */
enum edge {
    EDGE_FRAME_OVER,
    EDGE_OTHERS_OVER,
    EDGE_READY,
    EDGE_BEGIN,
    EDGE_OTHERS_BEGIN,
    EDGE_COUNT
};

static void find_edges(const struct air *air, const struct channel *channel,
                       uint64_t ret_ns[EDGE_COUNT])
{
    for (size_t i = 0; i < EDGE_COUNT; i++)
        ret_ns[i] = AIR_NEVER;
    for (size_t i = 0; i < channel->member_count; i++) {
        const struct radio *radio = &air->radios[channel->members[i]];
        const struct contender *one = &radio->contender;

        if (radio->is_sending)
            ret_ns[EDGE_FRAME_OVER] =
                earlier(ret_ns[EDGE_FRAME_OVER], radio->edge_ns);
        else if (one->state == CONTENTION_COUNTING)
            ret_ns[EDGE_BEGIN] = earlier(ret_ns[EDGE_BEGIN], one->begin_ns);
        else if (one->state == CONTENTION_NOTHING)
            ret_ns[EDGE_READY] =
                earlier(ret_ns[EDGE_READY], radio_ready_ns(radio));
    }
    if (channel->is_busy && !is_any_sending(air))
        ret_ns[EDGE_OTHERS_OVER] = channel->others.busy_until_ns;
    ret_ns[EDGE_OTHERS_BEGIN] = others_ns(air, channel);
}

static enum edge first_edge(const uint64_t at_ns[EDGE_COUNT])
{
    enum edge first = EDGE_FRAME_OVER;

    for (enum edge i = first; i < EDGE_COUNT; i++) {
        if (at_ns[i] < at_ns[first])
            first = i;
    }
    return first;
}

uint64_t contention_edge_ns(const struct air *air,
                            const struct channel *channel)
{
    uint64_t edges_ns[EDGE_COUNT];

    find_edges(air, channel, edges_ns);
    return edges_ns[first_edge(edges_ns)];
}

static void pass_frame(struct air *air, struct channel *channel, uint64_t at_ns)
{
    for (size_t i = 0; i < channel->member_count; i++) {
        const size_t end = channel->members[i];
        const struct radio *radio = &air->radios[end];

        if (!radio->is_sending || radio->edge_ns != at_ns)
            continue;
        if (radio_pass_edge(air, end))
            after_transmission(air, channel, end, at_ns);
        return;
    }
}

void contention_pass_edge(struct air *air, struct channel *channel)
{
    uint64_t edges_ns[EDGE_COUNT];

    find_edges(air, channel, edges_ns);
    const enum edge edge = first_edge(edges_ns);
    const uint64_t at_ns = edges_ns[edge];

    switch (edge) {
    case EDGE_FRAME_OVER:
        pass_frame(air, channel, at_ns);
        break;
    case EDGE_OTHERS_OVER:
        free_channel(air, channel, at_ns);
        break;
    case EDGE_READY:
        for (size_t i = 0; i < channel->member_count; i++)
            join(air, channel, channel->members[i], at_ns, false);
        break;
    case EDGE_BEGIN:
        begin_due(air, channel, at_ns);
        break;
    case EDGE_OTHERS_BEGIN:
        others_come(air, channel, at_ns);
        break;
    case EDGE_COUNT:
        break;
    }
}

void contention_begin(struct channel *channel, uint64_t at_ns)
{
    channel->free_since_ns = at_ns;
}
