/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

#include <stdlib.h>

void arrivals_tell(struct air *air, struct waiting *item, enum air_fate fate)
{
    air->listener.on_fate(air->listener.owner, &item->packet, fate);
    free(item);
}

void arrivals_deliver(struct air *air)
{
    struct waiting *item = fifo_pop(&air->arriving);

    arrivals_tell(air, item, item->fate);
}

/* What one receiver has of a frame that is just over. */
static enum air_fate outcome(struct air *air, size_t from, size_t to)
{
    const struct radio *sender = &air->radios[from];

    if (sender->is_frame_hit)
        return FATE_COLLISION;
    if (air->radios[to].is_away)
        return FATE_AWAY;
    if (air->radios[to].step != sender->step)
        return FATE_STEP_DIFFERS;
    switch (faults_frame(air->faults, from, to, sender->edge_ns)) {
    case FRAME_LOST:
        return FATE_LOST;
    case FRAME_OUT:
        return FATE_OUTAGE;
    case FRAME_HEARD:
        break;
    }
    return FATE_DELIVERED;
}

static uint64_t overlap_bytes(const struct waiting *item,
                              const struct frame *frame)
{
    const uint64_t item_end = item->begin + item->packet.bytes;
    const uint64_t begin =
        item->begin > frame->begin ? item->begin : frame->begin;
    const uint64_t end = item_end < frame->end ? item_end : frame->end;

    return end > begin ? end - begin : 0;
}

/* The receiver's parts of the frame are heard, or lost for good. */
static void settle(struct radio *radio, const struct frame *frame,
                   size_t receiver, enum air_fate fate)
{
    for (struct waiting *item = radio->queue.first;
         item && item->begin < frame->end; item = item->next) {
        const uint64_t bytes = overlap_bytes(item, frame);

        if (item->packet.to != receiver || !bytes)
            continue;
        item->settled_bytes += bytes;
        if (fate != FATE_DELIVERED && item->fate == FATE_DELIVERED)
            item->fate = fate;
        if (item->settled_bytes == item->packet.bytes)
            radio->queue_bytes -= item->packet.bytes;
    }
}

/* What can still happen to a packet of which every frame was heard. */
static void meet_packet_faults(struct air *air, struct waiting *item)
{
    const struct faults_packet faults =
        faults_packet(air->faults, item->packet.from, item->packet.to);

    item->packet.copies_count = faults.copies_count;
    item->packet.over_ns += faults.held_ns;
    if (faults.is_corrupted)
        item->fate = FATE_CORRUPTED;
}

static void push_arriving(struct air *air, struct waiting *item)
{
    struct fifo *fifo = &air->arriving;

    if (!fifo->last || fifo->last->packet.over_ns <= item->packet.over_ns) {
        fifo_push(fifo, item);
        return;
    }
    struct waiting **link = &fifo->first;

    while ((*link)->packet.over_ns <= item->packet.over_ns)
        link = &(*link)->next;
    item->next = *link;
    *link = item;
}

/* Hand over what is complete, each direction in its order. */
static void release(struct air *air, struct radio *radio)
{
    struct waiting **link = &radio->queue.first, *last = NULL;
    uint64_t held = 0; /* bit i: what is for end i waits for an earlier one */

    while (*link && (*link)->begin < radio->stream_sent) {
        struct waiting *item = *link;
        const uint64_t receiver = UINT64_C(1) << item->packet.to;

        if (item->settled_bytes < item->packet.bytes)
            held |= receiver;
        if (held & receiver) {
            last = item;
            link = &item->next;
            continue;
        }
        *link = item->next;
        if (radio->queue.last == item)
            radio->queue.last = last;
        item->packet.over_ns = radio->edge_ns + air->config.propagation_ns;
        if (item->fate == FATE_DELIVERED)
            meet_packet_faults(air, item);
        push_arriving(air, item);
    }
}

bool arrivals_take_frame(struct air *air, size_t from, struct frame *frame)
{
    struct radio *radio = &air->radios[from];
    const bool is_last_try =
        frame->sent_count > air->config.repeats_limit_count;

    for (size_t to = 0; to < air->config.end_count; to++) {
        const uint64_t receiver = UINT64_C(1) << to;

        if (!(frame->missing & receiver))
            continue;
        const enum air_fate fate = outcome(air, from, to);
        struct air_reading *counts = &air->radios[to].counts;

        if (fate == FATE_DELIVERED)
            counts->heard_frames_count++;
        else
            counts->missed_frames_count++;
        if (fate == FATE_DELIVERED || is_last_try) {
            settle(radio, frame, to, fate);
            frame->missing &= ~receiver;
        }
    }
    release(air, radio);
    frame->ready_ns = radio->edge_ns + air->config.repeats_delay_ns;
    return frame->missing != 0;
}
