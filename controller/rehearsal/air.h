/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_AIR_H
#define REHEARSAL_AIR_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The air: one half-duplex radio channel that a hub and its stations share.
 * Pure: no socket, no clock, no draw.  Time comes in with every call; what
 * happens goes out through on_event.
 *
 * The channel.  The ends take turns for ever: the hub, then each station in
 * the plan's order, then the hub again.  A turn starts with the slot overhead
 * (preamble, turnaround, guard).  When that is over the end looks into its
 * queue: empty, and the turn passes; else radio frames follow back to back
 * until the queue is empty or the slot limit is reached.  A frame carries at
 * most frame_payload_bytes of IP and costs frame_overhead_bytes more; the last
 * one of a transmission is as short as its data or the rest of the slot.  IP
 * packets are cut across frames, also across transmissions; a packet is
 * delivered when its last frame is over and has crossed the distance.  So an
 * idle channel cycles once in (1 + stations) x slot overhead.
 *
 * Each radio has a queue, limited in bytes; a packet keeps its room until its
 * last frame is over.  Each has a step; frames are heard only by an end whose
 * step is the sender's.  Steps change between turns.
 *
 * Edges come from absolute integer arithmetic (ns x bit/s, rounded down), so
 * they never drift, however late the caller is.
 */

#define AIR_NEVER UINT64_MAX
#define AIR_RATE_MAX_BPS                                                       \
    UINT64_C(10000000000) /* keeps ns x bit/s in 64 bits                       \
                           */

struct air_config {
    size_t end_count;                  /* in the order of the turns */
    uint64_t step_bps[PLAN_STEPS_MAX]; /* information bits while sending */
    size_t step_count;
    uint64_t slot_overhead_ns;
    uint64_t slot_limit_ns;       /* overhead included; AIR_NEVER: no limit */
    uint64_t frame_payload_bytes; /* 0: a transmission is one frame */
    uint64_t frame_overhead_bytes;
    uint64_t queue_bytes;
    uint64_t propagation_ns;
};

/* What becomes of a packet: exactly one of these. */
enum air_fate {
    FATE_DELIVERED,
    FATE_QUEUE_FULL,
    FATE_STEP_DIFFERS, /* sent, but the receiver listened on another step */
    FATE_UNFINISHED,   /* still waiting or on its way when the air was closed */
};

struct air_packet {
    void *handle; /* the caller's */
    size_t from, to;
    uint64_t bytes; /* of IP */
    uint64_t enqueued_ns;
    uint64_t first_bit_ns; /* its first frame began; 0: never */
    uint64_t over_ns;      /* delivered, dropped or given up */
};

/* One transmission, told when it is over. */
struct air_transmission {
    size_t from, step;
    uint64_t scheduled_ns; /* the turn began: the overhead comes first */
    uint64_t actual_ns;    /* when the air was called to look at the queue,
                              less the overhead: actual - scheduled is how
                              late that was */
    uint64_t ended_ns;     /* scheduled end of its last frame */
    uint64_t frames_count, ip_bytes;
    uint64_t queue_bytes_before; /* waiting when it looked */
};

/* Turns that passed in a row with nothing to send. */
struct air_idle {
    size_t first_from; /* whose turn the first of them was */
    uint64_t began_ns, ended_ns;
    uint64_t turns_count;
};

/* Called from air_advance(), air_enqueue() and air_close(); must not call the
 * air.  The structs are borrowed for the call. */
struct air_listener {
    void (*on_fate)(void *owner, const struct air_packet *packet,
                    enum air_fate fate);
    void (*on_transmission)(void *owner,
                            const struct air_transmission *transmission);
    void (*on_idle)(void *owner, const struct air_idle *idle);
    void *owner; /* borrowed */
};

struct air;

/* The channel of a plan; slot ranges count by their middle.  A step with only
 * a usable rate counts as a channel of that rate (its middle), whichever way
 * and layer the maker meant: the practice link then carries a little less. */
int air_config_from_plan(const struct plan *plan, struct air_config *ret_config,
                         struct fault *fault);

/* The first turn begins at now_ns; every end is on step 0. */
struct air *air_new(const struct air_config *config,
                    const struct air_listener *listener, uint64_t now_ns);
void air_free(struct air *air);

/*
 * Times passed in never go back.  air_advance() lets everything happen that is
 * due by now_ns; enqueue and set_step do so first themselves.
 */
void air_advance(struct air *air, uint64_t now_ns);
void air_enqueue(struct air *air, uint64_t now_ns, size_t from, size_t to,
                 uint64_t bytes, void *handle);
/* In force from the next turn on. */
void air_set_step(struct air *air, uint64_t now_ns, size_t end, size_t step);
/* When to call air_advance() next; AIR_NEVER: not before the next enqueue. */
uint64_t air_next_ns(const struct air *air);
/* Every packet still here gets its fate; the transmission under way and the
 * last idle turns are told as far as they came. */
void air_close(struct air *air, uint64_t now_ns);

/* What a radio would tell of itself. */
struct air_reading {
    size_t step;
    uint64_t queue_bytes, sent_frames_count, sent_bytes; /* bytes of IP */
};
void air_read(const struct air *air, size_t end,
              struct air_reading *ret_reading);

uint64_t air_waiting_bytes(const struct air *air, size_t end);

#endif
