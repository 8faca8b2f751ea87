/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_AIR_H
#define REHEARSAL_AIR_H

#include "controller/rehearsal/faults.h"

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The air: what a hub and its stations share, one channel or two.  Pure: no
 * socket, no clock; all that is drawn comes from a seed.  Time comes in with
 * every call; what happens goes out through the listener.
 *
 * How the channel is shared is said at enum link_access (bothends/plan.h).  In
 * the practice link:
 *
 * Turns.  The holder of a turn looks into its queue when the slot overhead is
 * over, or the least slot if that is shorter.  Stations that are registered but
 * stand in no plan (further_stations_count) have turns, and nothing to send.
 *
 * Frames.  A frame carries at most frame_payload_bytes of IP and costs
 * frame_overhead_bytes more; the last one of a transmission is as short as its
 * data or the rest of the slot.  IP packets are cut across frames, also across
 * transmissions.  A frame of several receivers is lost or heard by each by
 * itself.  A lost frame is repeated whole, up to repeats_limit_count times and
 * before new data; the packets of a direction are handed over in their order.
 * A packet is delivered when its last frame is over and has crossed the
 * distance.  Where a slower step's slot is too short for a frame that is to be
 * repeated, it is cut up.
 *
 * Contention.  With carrier sense the contention slots are counted from when
 * the channel last became free; the way through the air is left out of what is
 * sensed.  Without, a frame is lost when another's transmission overlaps it, or
 * overlapped the overhead before its transmission's first frame; to repeat it,
 * a radio waits a number of contention slots drawn from its window.  A frame
 * that collided is not repeated in the same transmission.
 *
 * Other users of the channel transmit at times of a Poisson process, for
 * exponential lengths.  They wait for the end of a turn or until the channel is
 * free; where nobody listens, they don't either.
 *
 * Each radio has a queue, limited in bytes; a packet keeps its room until its
 * last frame is over.  Each has a step; frames are heard only by an end whose
 * step is the sender's.  Steps change between transmissions.
 *
 * Edges come from absolute integer arithmetic (ns x bit/s, rounded down), so
 * they never drift, however late the caller is.
 */

#define AIR_NEVER   UINT64_MAX
#define AIR_NO_STEP SIZE_MAX
#define AIR_NOBODY  SIZE_MAX
/* Keeps ns x bit/s in 64 bits. */
#define AIR_RATE_MAX_BPS UINT64_C(10000000000)

struct air_config {
    size_t end_count; /* in the order of the turns */
    size_t hub;
    uint64_t step_bps[PLAN_STEPS_MAX]; /* information bits while sending */
    size_t step_count;
    uint64_t slot_overhead_ns;
    uint64_t slot_limit_ns;       /* overhead included; AIR_NEVER: no limit */
    uint64_t frame_payload_bytes; /* 0: a transmission is one frame */
    uint64_t frame_overhead_bytes;
    uint64_t queue_bytes;
    uint64_t propagation_ns;
    int access, slots;      /* enum link_access, enum link_slots */
    uint64_t slot_least_ns; /* an idle end's turn; AIR_NEVER: the overhead */
    uint64_t further_stations_count; /* registered, and not among the ends */
    uint64_t repeats_limit_count, repeats_delay_ns;
    bool carrier_sense, contention_slotted;
    uint64_t contention_slot_ns;
    uint64_t contention_window_count, contention_window_most_count;
    uint64_t seed;
    struct faults_config faults; /* of every direction, at first */
    double other_share_ratio;    /* of the time; 0: nobody else */
    uint64_t other_length_ns;    /* mean */
};

/* What becomes of a packet: exactly one of these. */
enum air_fate {
    FATE_DELIVERED,
    FATE_CORRUPTED, /* delivered, with a wrong bit */
    FATE_QUEUE_FULL,
    FATE_STEP_DIFFERS, /* sent, but the receiver listened on another step */
    FATE_LOST,         /* at least one frame was lost on the way ... */
    FATE_OUTAGE,       /* ... in an outage ... */
    FATE_COLLISION,    /* ... or because two transmitted */
    FATE_AWAY,         /* its station was not registered */
    FATE_UNFINISHED,   /* still waiting or on its way when the air was closed */
};

struct air_packet {
    void *handle; /* the caller's */
    size_t from, to;
    uint64_t bytes; /* of IP */
    uint64_t enqueued_ns;
    uint64_t first_bit_ns;  /* its first frame began; 0: never */
    uint64_t over_ns;       /* delivered, dropped or given up */
    uint64_t repeats_count; /* of frames with a part of it */
    unsigned copies_count;  /* that are delivered: 1, or 2 */
};

/* One transmission, told when it is over. */
struct air_transmission {
    size_t from, step;
    uint64_t scheduled_ns; /* the turn began: the overhead comes first */
    uint64_t actual_ns;    /* when the air was called to look at the queue,
                              less the overhead: actual - scheduled is how
                              late that was */
    uint64_t ended_ns;     /* scheduled end of its last frame */
    uint64_t frames_count, ip_bytes;        /* repeats included */
    uint64_t queue_bytes_before;            /* waiting when it looked */
    uint64_t repeats_count, collided_count; /* of these frames */
};

/* Turns that passed in a row with nothing to send. */
struct air_idle {
    size_t first_from; /* whose turn the first of them was; AIR_NOBODY: a
                          station's that is not among the ends */
    uint64_t began_ns, ended_ns;
    uint64_t turns_count;
    uint64_t turns_by_end_count[PLAN_ENDS_MAX];
};

/* A transmission of others on the channel. */
struct air_other {
    uint64_t began_ns, ended_ns;
};

/* Called from whatever lets time pass; must not call the air.  All but on_fate
 * may be NULL.  The structs are borrowed for the call. */
struct air_listener {
    void (*on_fate)(void *owner, const struct air_packet *packet,
                    enum air_fate fate);
    void (*on_transmission)(void *owner,
                            const struct air_transmission *transmission);
    void (*on_idle)(void *owner, const struct air_idle *idle);
    void (*on_other)(void *owner, const struct air_other *other);
    void *owner; /* borrowed */
};

struct air;

/* The channel of a plan; slot ranges count by their middle.  A step with only
 * a usable rate counts as a channel of that rate (its middle), whichever way
 * and layer the maker meant: the practice link then carries a little less. */
int air_config_from_plan(const struct plan *plan, struct air_config *ret_config,
                         struct fault *fault);
/* Which end of the air a site of the plan is: the hub is the first, then the
 * stations as the plan names them. */
size_t air_index(const struct plan *plan, size_t end);
/* What goes wrong all the time. */
struct faults_config air_config_faults(const struct plan *plan);

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
/* In force from when no transmission is under way. */
void air_set_step(struct air *air, uint64_t now_ns, size_t end, size_t step);
/* The radio stays on that step, whatever air_set_step() says; AIR_NO_STEP: it
 * goes by what it was told again. */
void air_stick_step(struct air *air, uint64_t now_ns, size_t end, size_t step);
/* What goes wrong on that way, from the next frame or packet on; air_faults():
 * borrowed until it is set again. */
void air_set_faults(struct air *air, uint64_t now_ns, size_t from, size_t to,
                    const struct faults_config *config);
const struct faults_config *air_faults(const struct air *air, size_t from,
                                       size_t to);
/* length_ns is a mean, and not 0. */
void air_set_other_traffic(struct air *air, uint64_t now_ns, double share_ratio,
                           uint64_t length_ns);
/* A station that is not registered has no turns and does not transmit, and the
 * hub drops what is for it.  end is a station's. */
void air_set_registered(struct air *air, uint64_t now_ns, size_t end,
                        bool is_registered);
/* When to call air_advance() next; AIR_NEVER: not before the next enqueue. */
uint64_t air_next_ns(const struct air *air);
/* Every packet still here gets its fate; the transmission under way and the
 * last idle turns are told as far as they came. */
void air_close(struct air *air, uint64_t now_ns);

/* What a radio would tell of itself. */
struct air_reading {
    size_t step;
    uint64_t queue_bytes, sent_frames_count, sent_bytes; /* bytes of IP */
    uint64_t repeated_frames_count;
    uint64_t heard_frames_count, missed_frames_count; /* of those for it */
    uint64_t registered_count; /* at the hub: stations, further ones too */
};
void air_read(const struct air *air, size_t end,
              struct air_reading *ret_reading);

/* Room taken in that end's queue: what waits, and what is being sent. */
uint64_t air_waiting_bytes(const struct air *air, size_t end);

#endif
