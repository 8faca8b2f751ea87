/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

#include <assert.h>
#include <stdlib.h>

void fifo_push(struct fifo *fifo, struct waiting *item)
{
    item->next = NULL;
    if (fifo->last)
        fifo->last->next = item;
    else
        fifo->first = item;
    fifo->last = item;
}

struct waiting *fifo_pop(struct fifo *fifo)
{
    struct waiting *item = fifo->first;

    if (item) {
        fifo->first = item->next;
        if (!fifo->first)
            fifo->last = NULL;
    }
    return item;
}

static void fifo_clear(struct fifo *fifo)
{
    for (struct waiting *item = fifo_pop(fifo); item; item = fifo_pop(fifo))
        free(item);
}

void *air_allocate(size_t size)
{
    void *memory = calloc(1, size);

    if (!memory) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    return memory;
}

/* --- the channels --------------------------------------------------------- */

static void add_members(struct air *air, struct channel *channel, bool has_hub,
                        bool has_stations)
{
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (i == air->config.hub ? has_hub : has_stations)
            channel->members[channel->member_count++] = i;
    }
}

static void fill_turns(const struct air_config *config, struct channel *channel)
{
    const uint64_t least_ns = config->slot_least_ns == AIR_NEVER
                                  ? config->slot_overhead_ns
                                  : config->slot_least_ns;

    channel->is_fixed = config->slots == SLOTS_FIXED && !channel->rests;
    channel->idle_turn_ns =
        channel->is_fixed ? config->slot_limit_ns : least_ns;
    channel->look_after_ns = config->slot_overhead_ns < channel->idle_turn_ns
                                 ? config->slot_overhead_ns
                                 : channel->idle_turn_ns;
    /* Turns that take no time would go round for ever. */
    channel->rests = channel->rests || !channel->idle_turn_ns;
}

static void make_channels(struct air *air)
{
    const struct air_config *config = &air->config;
    const bool is_double = config->access == ACCESS_FULL_DUPLEX;
    struct channel *channels = air->channels;

    air->channel_count = is_double ? 2 : 1;
    add_members(air, &channels[0], true, !is_double);
    if (is_double)
        add_members(air, &channels[1], false, true);
    for (size_t i = 0; i < air->channel_count; i++) {
        struct channel *channel = &channels[i];
        const bool is_stations = !is_double || i == 1;

        channel->is_contention = config->access == ACCESS_CONTENTION;
        channel->further_count =
            is_stations ? config->further_stations_count : 0;
        channel->rests =
            config->access == ACCESS_ALTERNATING
            || (is_double
                && channel->member_count + channel->further_count == 1);
        channel->others.draw.state = config->seed + 1000 + i;
        others_set(&channel->others, air->now_ns, config->other_share_ratio,
                   config->other_length_ns);
        fill_turns(config, channel);
    }
}

struct air *air_new(const struct air_config *config,
                    const struct air_listener *listener, uint64_t now_ns)
{
    assert(config->end_count >= 2 && config->end_count <= PLAN_ENDS_MAX);
    assert(config->further_stations_count <= 32);
    assert(config->access != ACCESS_CONTENTION
           || (config->contention_slot_ns && config->contention_window_count));
    struct air *air = air_allocate(sizeof(*air));

    air->config = *config;
    air->listener = *listener;
    air->began_ns = air->now_ns = now_ns;
    air->draw.state = config->seed;
    air->faults =
        faults_new(config->end_count, config->seed, now_ns, &config->faults);
    for (size_t i = 0; i < config->end_count; i++) {
        air->radios[i].stuck_step = AIR_NO_STEP;
        air->radios[i].contender.window_count = config->contention_window_count;
    }
    make_channels(air);
    for (size_t i = 0; i < air->channel_count; i++) {
        struct channel *channel = &air->channels[i];

        if (channel->is_contention)
            contention_begin(channel, now_ns);
        else
            turns_begin(air, channel, now_ns);
    }
    return air;
}

void air_free(struct air *air)
{
    if (!air)
        return;
    for (size_t i = 0; i < air->config.end_count; i++) {
        fifo_clear(&air->radios[i].queue);
        radio_free(&air->radios[i]);
    }
    fifo_clear(&air->arriving);
    faults_free(air->faults);
    free(air);
}

static bool is_member(const struct channel *channel, size_t end)
{
    for (size_t i = 0; i < channel->member_count; i++) {
        if (channel->members[i] == end)
            return true;
    }
    return false;
}

/* end may have something to send that it had not before. */
static void wake(struct air *air, size_t end)
{
    for (size_t i = 0; i < air->channel_count; i++) {
        struct channel *channel = &air->channels[i];

        if (!is_member(channel, end))
            continue;
        if (channel->is_contention)
            contention_wake(air, channel, end, air->now_ns);
        else
            turns_wake(air, channel, air->now_ns);
    }
}

/* --- time ----------------------------------------------------------------- */

static uint64_t channel_edge_ns(const struct air *air,
                                const struct channel *channel)
{
    return channel->is_contention ? contention_edge_ns(air, channel)
                                  : turns_edge_ns(air, channel);
}

static uint64_t arrival_ns(const struct air *air)
{
    return air->arriving.first ? air->arriving.first->packet.over_ns
                               : AIR_NEVER;
}

uint64_t air_next_ns(const struct air *air)
{
    uint64_t next_ns = arrival_ns(air);

    for (size_t i = 0; i < air->channel_count; i++) {
        const struct channel *channel = &air->channels[i];
        const uint64_t due_ns = channel->is_contention
                                    ? contention_edge_ns(air, channel)
                                    : turns_due_ns(air, channel);

        if (due_ns < next_ns)
            next_ns = due_ns;
    }
    return next_ns;
}

void air_advance(struct air *air, uint64_t now_ns)
{
    assert(now_ns >= air->now_ns);
    air->now_ns = now_ns;
    for (;;) {
        struct channel *first = NULL;
        uint64_t due_ns = AIR_NEVER;

        for (size_t i = 0; i < air->channel_count; i++) {
            const uint64_t edge_ns = channel_edge_ns(air, &air->channels[i]);

            if (edge_ns < due_ns) {
                due_ns = edge_ns;
                first = &air->channels[i];
            }
        }
        if (air->arriving.first && arrival_ns(air) <= due_ns
            && arrival_ns(air) <= now_ns)
            arrivals_deliver(air);
        else if (!first || due_ns > now_ns)
            return;
        else if (first->is_contention)
            contention_pass_edge(air, first);
        else
            turns_pass_edge(air, first, now_ns);
    }
}

void air_enqueue(struct air *air, uint64_t now_ns, size_t from, size_t to,
                 uint64_t bytes, void *handle)
{
    assert(from < air->config.end_count && to < air->config.end_count);
    assert(from != to && bytes > 0);
    air_advance(air, now_ns);
    struct radio *radio = &air->radios[from];
    struct waiting *item = air_allocate(sizeof(*item));

    item->packet = (struct air_packet){ .handle = handle,
                                        .from = from,
                                        .to = to,
                                        .bytes = bytes,
                                        .enqueued_ns = now_ns,
                                        .over_ns = now_ns };
    if (air->radios[to].is_away) {
        arrivals_tell(air, item, FATE_AWAY);
        return;
    }
    if (radio->queue_bytes + bytes > air->config.queue_bytes) {
        arrivals_tell(air, item, FATE_QUEUE_FULL);
        return;
    }
    item->begin = radio->stream_end;
    radio->stream_end += bytes;
    radio->queue_bytes += bytes;
    fifo_push(&radio->queue, item);
    wake(air, from);
}

static void give_up(struct air *air, struct fifo *fifo, uint64_t now_ns)
{
    for (struct waiting *item = fifo_pop(fifo); item; item = fifo_pop(fifo)) {
        item->packet.over_ns = now_ns;
        arrivals_tell(air, item, FATE_UNFINISHED);
    }
}

void air_close(struct air *air, uint64_t now_ns)
{
    air_advance(air, now_ns);
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].is_sending)
            radio_end(air, i); /* cut off: it counts to its frame's end */
    }
    for (size_t i = 0; i < air->channel_count; i++)
        turns_tell_idle(air, &air->channels[i]);
    give_up(air, &air->arriving, now_ns);
    for (size_t i = 0; i < air->config.end_count; i++) {
        struct radio *radio = &air->radios[i];

        give_up(air, &radio->queue, now_ns);
        radio->queue_bytes = 0;
        radio->stream_sent = radio->stream_end;
    }
}

/* --- settings ------------------------------------------------------------- */

void air_settle_steps(struct air *air)
{
    for (size_t i = 0; i < air->config.end_count; i++) {
        struct radio *radio = &air->radios[i];

        if (!radio->is_sending)
            radio->step = radio->stuck_step == AIR_NO_STEP ? radio->wanted_step
                                                           : radio->stuck_step;
    }
}

void air_set_step(struct air *air, uint64_t now_ns, size_t end, size_t step)
{
    assert(end < air->config.end_count && step < air->config.step_count);
    air_advance(air, now_ns);
    air->radios[end].wanted_step = step;
}

void air_stick_step(struct air *air, uint64_t now_ns, size_t end, size_t step)
{
    assert(end < air->config.end_count);
    assert(step < air->config.step_count || step == AIR_NO_STEP);
    air_advance(air, now_ns);
    air->radios[end].stuck_step = step;
}

void air_set_faults(struct air *air, uint64_t now_ns, size_t from, size_t to,
                    const struct faults_config *config)
{
    assert(from < air->config.end_count && to < air->config.end_count);
    air_advance(air, now_ns);
    faults_set(air->faults, from, to, config);
}

const struct faults_config *air_faults(const struct air *air, size_t from,
                                       size_t to)
{
    return faults_get(air->faults, from, to);
}

void air_set_other_traffic(struct air *air, uint64_t now_ns, double share_ratio,
                           uint64_t length_ns)
{
    assert(share_ratio >= 0 && share_ratio < 1 && length_ns > 0);
    air_advance(air, now_ns);
    for (size_t i = 0; i < air->channel_count; i++)
        others_set(&air->channels[i].others, now_ns, share_ratio, length_ns);
}

void air_set_registered(struct air *air, uint64_t now_ns, size_t end,
                        bool is_registered)
{
    assert(end < air->config.end_count && end != air->config.hub);
    air_advance(air, now_ns);
    air->radios[end].is_away = !is_registered;
    wake(air, end);
}

/* --- what it tells -------------------------------------------------------- */

void air_read(const struct air *air, size_t end,
              struct air_reading *ret_reading)
{
    const struct radio *radio = &air->radios[end];

    *ret_reading = radio->counts;
    ret_reading->step = radio->stuck_step == AIR_NO_STEP ? radio->wanted_step
                                                         : radio->stuck_step;
    ret_reading->queue_bytes = radio->queue_bytes;
    ret_reading->registered_count = air->config.further_stations_count;
    for (size_t i = 0; i < air->config.end_count; i++)
        ret_reading->registered_count +=
            i != air->config.hub && !air->radios[i].is_away;
}

uint64_t air_waiting_bytes(const struct air *air, size_t end)
{
    return air->radios[end].queue_bytes;
}
