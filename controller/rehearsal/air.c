/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

/* A packet in a radio's queue, or on its way to the receiver. */
struct waiting {
    struct waiting *next;
    struct air_packet packet;
    uint64_t sent_bytes;
    bool unheard; /* at least one of its frames */
};

struct fifo {
    struct waiting *first, *last;
};

struct radio {
    struct fifo queue;
    uint64_t queue_bytes;  /* room taken, by whole packets */
    uint64_t unsent_bytes; /* not yet in a frame */
    size_t step, wanted_step;
    uint64_t sent_frames_count, sent_bytes;
};

enum turn_state {
    TURN_OVERHEAD, /* until edge_ns; then the queue is looked at */
    TURN_FRAME,    /* a frame is on the air until edge_ns */
};

struct air {
    struct air_config config;
    struct air_listener listener;
    struct radio radios[PLAN_ENDS_MAX];
    struct fifo arriving; /* sent; over_ns is when each arrives */
    uint64_t now_ns;

    /* The turn under way. */
    size_t holder;
    enum turn_state state;
    uint64_t edge_ns;
    uint64_t frames_ns;      /* when the first frame began */
    uint64_t air_bytes;      /* frames so far, with their overhead */
    uint64_t room_air_bytes; /* most of them that the slot holds */
    struct air_transmission transmission;
    struct air_idle idle; /* the run of idle turns before this one */
};

/* The flow of a turn, top to bottom. */
static void begin_turn(struct air *air, size_t holder, uint64_t at_ns);
static void look_into_queue(struct air *air);
static void begin_transmission(struct air *air);
static void begin_frame(struct air *air);
static void end_frame(struct air *air);
static void end_transmission(struct air *air);

static uint64_t bits_in(uint64_t duration_ns, uint64_t rate_bps)
{
    return duration_ns / NS_PER_S * rate_bps
           + duration_ns % NS_PER_S * rate_bps / NS_PER_S;
}

static uint64_t duration_of_ns(uint64_t bytes, uint64_t rate_bps)
{
    const uint64_t bits = bytes * BITS_PER_BYTE;

    return bits / rate_bps * NS_PER_S + bits % rate_bps * NS_PER_S / rate_bps;
}

static void fifo_push(struct fifo *fifo, struct waiting *item)
{
    item->next = NULL;
    if (fifo->last)
        fifo->last->next = item;
    else
        fifo->first = item;
    fifo->last = item;
}

static struct waiting *fifo_pop(struct fifo *fifo)
{
    struct waiting *item = fifo->first;

    if (item) {
        fifo->first = item->next;
        if (!fifo->first)
            fifo->last = NULL;
    }
    return item;
}

static void *allocate(size_t size)
{
    void *memory = calloc(1, size);

    if (!memory) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    return memory;
}

struct air *air_new(const struct air_config *config,
                    const struct air_listener *listener, uint64_t now_ns)
{
    assert(config->end_count >= 2 && config->end_count <= PLAN_ENDS_MAX);
    struct air *air = allocate(sizeof(*air));

    air->config = *config;
    air->listener = *listener;
    air->now_ns = now_ns;
    begin_turn(air, 0, now_ns);
    return air;
}

static void fifo_clear(struct fifo *fifo)
{
    for (struct waiting *item = fifo_pop(fifo); item; item = fifo_pop(fifo))
        free(item);
}

void air_free(struct air *air)
{
    if (!air)
        return;
    for (size_t i = 0; i < air->config.end_count; i++)
        fifo_clear(&air->radios[i].queue);
    fifo_clear(&air->arriving);
    free(air);
}

void air_read(const struct air *air, size_t end,
              struct air_reading *ret_reading)
{
    const struct radio *radio = &air->radios[end];

    *ret_reading = (struct air_reading){
        .step = radio->wanted_step,
        .queue_bytes = radio->queue_bytes,
        .sent_frames_count = radio->sent_frames_count,
        .sent_bytes = radio->sent_bytes,
    };
}

uint64_t air_waiting_bytes(const struct air *air, size_t end)
{
    return air->radios[end].queue_bytes;
}

static bool is_anything_waiting(const struct air *air)
{
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].unsent_bytes)
            return true;
    }
    return false;
}

uint64_t air_next_ns(const struct air *air)
{
    const uint64_t arrival_ns =
        air->arriving.first ? air->arriving.first->packet.over_ns : AIR_NEVER;

    /* Idle turns can be caught up with later: nobody needs to watch them. */
    if (air->state == TURN_OVERHEAD && !is_anything_waiting(air))
        return arrival_ns;
    return arrival_ns < air->edge_ns ? arrival_ns : air->edge_ns;
}

static void tell_fate(struct air *air, struct waiting *item, enum air_fate fate)
{
    air->listener.on_fate(air->listener.owner, &item->packet, fate);
    free(item);
}

static void tell_idle(struct air *air)
{
    if (air->idle.turns_count && air->listener.on_idle)
        air->listener.on_idle(air->listener.owner, &air->idle);
    air->idle.turns_count = 0;
}

static void deliver(struct air *air)
{
    struct waiting *item = fifo_pop(&air->arriving);

    tell_fate(air, item, item->unheard ? FATE_STEP_DIFFERS : FATE_DELIVERED);
}

static void count_idle_turns(struct air *air, uint64_t turns_count)
{
    const uint64_t overhead_ns = air->config.slot_overhead_ns;

    if (!air->idle.turns_count) {
        air->idle.first_from = air->holder;
        air->idle.began_ns = air->edge_ns - overhead_ns;
    }
    air->idle.turns_count += turns_count;
    air->idle.ended_ns = air->edge_ns + (turns_count - 1) * overhead_ns;
}

/* Nothing waits anywhere: let whole turns pass at once, up to now_ns. */
static void pass_idle_turns(struct air *air, uint64_t now_ns)
{
    const uint64_t overhead_ns = air->config.slot_overhead_ns;

    if (!overhead_ns) { /* turns that take no time: wait with this one */
        begin_turn(air, air->holder, now_ns);
        return;
    }
    const uint64_t turns_count = (now_ns - air->edge_ns) / overhead_ns + 1;

    count_idle_turns(air, turns_count);
    begin_turn(air, (air->holder + turns_count) % air->config.end_count,
               air->idle.ended_ns);
}

/* Turns that take no time, and nothing to send: they would never end. */
static bool is_waiting_without_time(const struct air *air, uint64_t now_ns)
{
    return air->state == TURN_OVERHEAD && !air->config.slot_overhead_ns
           && air->edge_ns == now_ns && !is_anything_waiting(air);
}

void air_advance(struct air *air, uint64_t now_ns)
{
    assert(now_ns >= air->now_ns);
    air->now_ns = now_ns;
    for (;;) {
        const struct waiting *arrival = air->arriving.first;

        if (arrival && arrival->packet.over_ns <= now_ns
            && arrival->packet.over_ns <= air->edge_ns) {
            deliver(air);
            continue;
        }
        if (air->edge_ns > now_ns || is_waiting_without_time(air, now_ns))
            return;
        if (air->state == TURN_FRAME)
            end_frame(air);
        else if (is_anything_waiting(air))
            look_into_queue(air);
        else
            pass_idle_turns(air, now_ns);
    }
}

void air_enqueue(struct air *air, uint64_t now_ns, size_t from, size_t to,
                 uint64_t bytes, void *handle)
{
    assert(from < air->config.end_count && to < air->config.end_count);
    assert(from != to && bytes > 0);
    air_advance(air, now_ns);
    struct radio *radio = &air->radios[from];
    struct waiting *item = allocate(sizeof(*item));

    item->packet = (struct air_packet){ .handle = handle,
                                        .from = from,
                                        .to = to,
                                        .bytes = bytes,
                                        .enqueued_ns = now_ns,
                                        .over_ns = now_ns };
    if (radio->queue_bytes + bytes > air->config.queue_bytes) {
        tell_fate(air, item, FATE_QUEUE_FULL);
        return;
    }
    fifo_push(&radio->queue, item);
    radio->queue_bytes += bytes;
    radio->unsent_bytes += bytes;
}

void air_set_step(struct air *air, uint64_t now_ns, size_t end, size_t step)
{
    assert(end < air->config.end_count && step < air->config.step_count);
    air_advance(air, now_ns);
    air->radios[end].wanted_step = step;
}

static void begin_turn(struct air *air, size_t holder, uint64_t at_ns)
{
    for (size_t i = 0; i < air->config.end_count; i++)
        air->radios[i].step = air->radios[i].wanted_step;
    air->holder = holder;
    air->state = TURN_OVERHEAD;
    air->edge_ns = at_ns + air->config.slot_overhead_ns;
}

static void pass_turn(struct air *air, uint64_t at_ns)
{
    begin_turn(air, (air->holder + 1) % air->config.end_count, at_ns);
}

static void look_into_queue(struct air *air)
{
    if (air->radios[air->holder].unsent_bytes) {
        begin_transmission(air);
        return;
    }
    count_idle_turns(air, 1);
    pass_turn(air, air->edge_ns);
}

static void begin_transmission(struct air *air)
{
    const struct radio *radio = &air->radios[air->holder];
    const struct air_config *config = &air->config;
    const uint64_t began_ns = air->edge_ns - config->slot_overhead_ns;

    tell_idle(air);
    air->transmission = (struct air_transmission){
        .from = air->holder,
        .step = radio->step,
        .scheduled_ns = began_ns,
        .actual_ns = began_ns + (air->now_ns - air->edge_ns),
        .queue_bytes_before = radio->unsent_bytes,
    };
    air->frames_ns = air->edge_ns;
    air->air_bytes = 0;
    air->room_air_bytes =
        config->slot_limit_ns == AIR_NEVER
            ? UINT64_MAX
            : bits_in(config->slot_limit_ns - config->slot_overhead_ns,
                      config->step_bps[radio->step])
                  / BITS_PER_BYTE;
    begin_frame(air);
}

/* IP bytes that the next frame takes along; 0: there is none. */
static uint64_t next_frame_bytes(const struct air *air)
{
    const struct air_config *config = &air->config;
    const bool is_one_frame = !config->frame_payload_bytes;
    const uint64_t room = air->room_air_bytes - air->air_bytes;
    uint64_t bytes = air->radios[air->holder].unsent_bytes;

    if (is_one_frame && air->transmission.frames_count)
        return 0;
    if (room <= config->frame_overhead_bytes)
        return 0;
    if (!is_one_frame && bytes > config->frame_payload_bytes)
        bytes = config->frame_payload_bytes;
    if (bytes > room - config->frame_overhead_bytes)
        bytes = room - config->frame_overhead_bytes;
    return bytes;
}

/* Take the bytes from the queue's packets; those that end in this frame stay
 * in the queue until the frame is over. */
static void fill_frame(struct air *air, uint64_t bytes)
{
    struct radio *radio = &air->radios[air->holder];

    radio->unsent_bytes -= bytes;
    for (struct waiting *item = radio->queue.first; bytes; item = item->next) {
        const uint64_t left = item->packet.bytes - item->sent_bytes;
        const uint64_t taken = left < bytes ? left : bytes;

        if (!item->sent_bytes)
            item->packet.first_bit_ns = air->edge_ns;
        if (air->radios[item->packet.to].step != radio->step)
            item->unheard = true;
        item->sent_bytes += taken;
        bytes -= taken;
    }
}

/* Called with edge_ns at the frame's beginning; leaves it at its end. */
static void begin_frame(struct air *air)
{
    const uint64_t bytes = next_frame_bytes(air);

    fill_frame(air, bytes);
    air->transmission.frames_count++;
    air->radios[air->holder].sent_frames_count++;
    air->radios[air->holder].sent_bytes += bytes;
    air->transmission.ip_bytes += bytes;
    air->air_bytes += bytes + air->config.frame_overhead_bytes;
    air->state = TURN_FRAME;
    air->edge_ns =
        air->frames_ns
        + duration_of_ns(air->air_bytes,
                         air->config.step_bps[air->transmission.step]);
}

static void end_frame(struct air *air)
{
    struct radio *radio = &air->radios[air->holder];

    while (radio->queue.first
           && radio->queue.first->sent_bytes
                  == radio->queue.first->packet.bytes) {
        struct waiting *item = fifo_pop(&radio->queue);

        radio->queue_bytes -= item->packet.bytes;
        item->packet.over_ns = air->edge_ns + air->config.propagation_ns;
        fifo_push(&air->arriving, item);
    }
    if (next_frame_bytes(air))
        begin_frame(air);
    else
        end_transmission(air);
}

static void end_transmission(struct air *air)
{
    air->transmission.ended_ns = air->edge_ns;
    if (air->listener.on_transmission)
        air->listener.on_transmission(air->listener.owner, &air->transmission);
    pass_turn(air, air->edge_ns);
}

static void give_up(struct air *air, struct fifo *fifo, uint64_t now_ns)
{
    for (struct waiting *item = fifo_pop(fifo); item; item = fifo_pop(fifo)) {
        item->packet.over_ns = now_ns;
        tell_fate(air, item, FATE_UNFINISHED);
    }
}

void air_close(struct air *air, uint64_t now_ns)
{
    air_advance(air, now_ns);
    if (air->state == TURN_FRAME)
        end_transmission(air); /* cut off: it counts to its frame's end */
    tell_idle(air);
    give_up(air, &air->arriving, now_ns);
    for (size_t i = 0; i < air->config.end_count; i++) {
        give_up(air, &air->radios[i].queue, now_ns);
        air->radios[i].queue_bytes = air->radios[i].unsent_bytes = 0;
    }
}
