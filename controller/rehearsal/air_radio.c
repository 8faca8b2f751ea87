/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air_inside.h"

#include <stdlib.h>

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

uint64_t radio_ready_ns(const struct radio *radio)
{
    uint64_t ready_ns = AIR_NEVER;

    if (radio->is_away)
        return AIR_NEVER;
    if (radio->stream_sent < radio->stream_end)
        return 0;
    for (const struct frame *frame = radio->repeats; frame; frame = frame->next)
        ready_ns = frame->ready_ns < ready_ns ? frame->ready_ns : ready_ns;
    return ready_ns;
}

bool radio_is_ready(const struct radio *radio, uint64_t at_ns)
{
    return radio_ready_ns(radio) <= at_ns;
}

/* --- the next frame ------------------------------------------------------- */

/* IP bytes that the slot still holds in one more frame. */
static uint64_t room_bytes(const struct air *air, const struct radio *radio)
{
    const struct air_config *config = &air->config;
    const uint64_t room = radio->room_air_bytes - radio->air_bytes;

    if (!config->frame_payload_bytes && radio->transmission.frames_count)
        return 0; /* one transmission is one frame */
    return room > config->frame_overhead_bytes
               ? room - config->frame_overhead_bytes
               : 0;
}

/* The link to the first frame that may be repeated now; it points to NULL where
 * there is none.  While it transmits a radio hears of no collision. */
static struct frame **find_repeat(struct radio *radio, uint64_t at_ns)
{
    struct frame **link = &radio->repeats;

    while (*link && ((*link)->rests || (*link)->ready_ns > at_ns))
        link = &(*link)->next;
    return link;
}

static uint64_t frame_bytes(const struct frame *frame)
{
    return frame->end - frame->begin;
}

static bool is_part_of(const struct waiting *item, const struct frame *frame)
{
    return item->begin < frame->end
           && item->begin + item->packet.bytes > frame->begin;
}

/* Bit i: a part of the frame is for end i. */
static uint64_t receivers_of(const struct radio *radio,
                             const struct frame *frame)
{
    uint64_t receivers = 0;

    for (const struct waiting *item = radio->queue.first;
         item && item->begin < frame->end; item = item->next) {
        if (is_part_of(item, frame))
            receivers |= UINT64_C(1) << item->packet.to;
    }
    return receivers;
}

/* On a slower step a whole slot may be too short for what was a frame before:
 * the rest of it becomes the next one to repeat.  What nobody lacks of either
 * is repeated no more. */
static void cut_frame(const struct radio *radio, struct frame **link,
                      uint64_t bytes)
{
    struct frame *frame = *link;
    struct frame *rest = air_allocate(sizeof(*rest));

    *rest = *frame;
    rest->begin = frame->begin + bytes;
    frame->end = rest->begin;
    frame->next = rest;
    for (size_t i = 0; i < 2; i++) {
        struct frame *part = *link;

        part->missing &= receivers_of(radio, part);
        if (part->missing) {
            link = &part->next;
        } else {
            *link = part->next;
            free(part);
        }
    }
}

static struct frame *take_repeat(struct radio *radio, uint64_t room)
{
    struct frame **link = find_repeat(radio, radio->edge_ns);

    while (*link && frame_bytes(*link) > room) {
        if (!room || radio->transmission.frames_count)
            return NULL; /* in a slot of its own */
        cut_frame(radio, link, room);
        link = find_repeat(radio, radio->edge_ns);
    }
    struct frame *frame = *link;

    if (frame) {
        *link = frame->next;
        frame->next = NULL;
    }
    return frame;
}

static struct frame *take_new(const struct air *air, struct radio *radio,
                              uint64_t room)
{
    const uint64_t payload = air->config.frame_payload_bytes;
    uint64_t bytes = radio->stream_end - radio->stream_sent;

    if (payload && bytes > payload)
        bytes = payload;
    if (bytes > room)
        bytes = room;
    if (!bytes)
        return NULL;
    struct frame *frame = air_allocate(sizeof(*frame));

    frame->begin = radio->stream_sent;
    frame->end = radio->stream_sent += bytes;
    frame->missing = receivers_of(radio, frame);
    return frame;
}

/* The packets of which the frame has a part. */
static void note_packets(struct radio *radio, struct frame *frame)
{
    for (struct waiting *item = radio->queue.first;
         item && item->begin < frame->end; item = item->next) {
        if (!is_part_of(item, frame))
            continue;
        if (item->begin >= frame->begin && !item->packet.first_bit_ns)
            item->packet.first_bit_ns = radio->edge_ns;
        item->packet.repeats_count += frame->sent_count > 0;
    }
}

/* On a contention channel others may transmit at the same time. */
static bool is_overlapped(const struct air *air, const struct radio *radio)
{
    const struct channel *channel = &air->channels[0];

    if (!channel->is_contention)
        return false;
    if (channel->others.busy_until_ns > radio->edge_ns)
        return true;
    for (size_t i = 0; i < air->config.end_count; i++) {
        if (air->radios[i].is_sending && &air->radios[i] != radio)
            return true;
    }
    return false;
}

/* Begins at edge_ns, which it leaves at the frame's end.  False: there is
 * nothing that fits. */
static bool begin_frame(struct air *air, struct radio *radio)
{
    struct air_transmission *sent = &radio->transmission;
    const uint64_t room = room_bytes(air, radio);
    struct frame *frame = take_repeat(radio, room);

    if (!frame)
        frame = take_new(air, radio, room);
    if (!frame)
        return false;
    note_packets(radio, frame);
    sent->repeats_count += frame->sent_count > 0;
    radio->counts.repeated_frames_count += frame->sent_count > 0;
    frame->sent_count++;
    sent->frames_count++;
    sent->ip_bytes += frame_bytes(frame);
    radio->counts.sent_frames_count++;
    radio->counts.sent_bytes += frame_bytes(frame);
    radio->air_bytes += frame_bytes(frame) + air->config.frame_overhead_bytes;
    radio->frame = frame;
    radio->is_frame_hit = radio->is_start_hit || is_overlapped(air, radio);
    radio->edge_ns =
        radio->frames_ns
        + duration_of_ns(radio->air_bytes, air->config.step_bps[sent->step]);
    return true;
}

/* --- the transmission ----------------------------------------------------- */

void radio_begin(struct air *air, size_t end, uint64_t began_ns,
                 uint64_t looked_ns)
{
    const struct air_config *config = &air->config;
    struct radio *radio = &air->radios[end];

    radio->transmission = (struct air_transmission){
        .from = end,
        .step = radio->step,
        .scheduled_ns = began_ns,
        .actual_ns = began_ns + (air->now_ns - looked_ns),
        .queue_bytes_before = radio->stream_end - radio->stream_sent,
    };
    for (struct frame *frame = radio->repeats; frame; frame = frame->next) {
        radio->transmission.queue_bytes_before += frame_bytes(frame);
        frame->rests = false;
    }
    radio->is_sending = true;
    radio->is_start_hit = radio->is_frame_hit = radio->has_collided = false;
    radio->edge_ns = radio->frames_ns = began_ns + config->slot_overhead_ns;
    radio->air_bytes = 0;
    radio->room_air_bytes =
        config->slot_limit_ns == AIR_NEVER
            ? UINT64_MAX
            : bits_in(config->slot_limit_ns - config->slot_overhead_ns,
                      config->step_bps[radio->step])
                  / BITS_PER_BYTE;
}

/* Frames that are to be repeated stay in the order of the stream. */
static void keep_repeat(struct radio *radio, struct frame *frame)
{
    struct frame **link = &radio->repeats;

    while (*link && (*link)->begin < frame->begin)
        link = &(*link)->next;
    frame->next = *link;
    *link = frame;
}

static void end_frame(struct air *air, size_t end)
{
    struct radio *radio = &air->radios[end];
    struct frame *frame = radio->frame;

    radio->frame = NULL;
    radio->has_collided = radio->has_collided || radio->is_frame_hit;
    radio->transmission.collided_count += radio->is_frame_hit;
    frame->rests = radio->is_frame_hit;
    if (arrivals_take_frame(air, end, frame))
        keep_repeat(radio, frame);
    else
        free(frame);
}

bool radio_pass_edge(struct air *air, size_t end)
{
    struct radio *radio = &air->radios[end];

    if (radio->frame)
        end_frame(air, end);
    if (begin_frame(air, radio))
        return false;
    radio_end(air, end);
    return true;
}

void radio_end(struct air *air, size_t end)
{
    struct radio *radio = &air->radios[end];

    free(radio->frame); /* cut off */
    radio->frame = NULL;
    radio->is_sending = false;
    radio->transmission.ended_ns = radio->edge_ns;
    if (air->listener.on_transmission)
        air->listener.on_transmission(air->listener.owner,
                                      &radio->transmission);
}

void radio_hit(struct radio *radio)
{
    if (radio->frame)
        radio->is_frame_hit = true;
    else
        radio->is_start_hit = true;
}

void radio_free(struct radio *radio)
{
    for (struct frame *frame = radio->repeats, *next; frame; frame = next) {
        next = frame->next;
        free(frame);
    }
    free(radio->frame);
}
