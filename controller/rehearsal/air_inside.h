/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_AIR_INSIDE_H
#define REHEARSAL_AIR_INSIDE_H

#include "controller/rehearsal/air.h"

#include <bothends/draw.h>

/*
 * What the parts of the air say to each other:
 *
 *   air.c              the queues, the settings, and time as it passes
 *   air_radio.c        one transmission: frames, repeats
 *   air_arrivals.c     what becomes of frames and packets at their receivers
 *   air_turns.c        a channel on which turns go round
 *   air_contention.c   a channel on which each decides by itself
 *   air_others.c       other users of a channel
 */

/* A packet in a radio's queue, or on its way to the receiver. */
struct waiting {
    struct waiting *next;
    struct air_packet packet;
    uint64_t begin; /* of it, in the radio's stream */
    uint64_t settled_bytes;
    enum air_fate fate; /* FATE_DELIVERED unless a part of it was lost */
};

struct fifo {
    struct waiting *first, *last;
};

void fifo_push(struct fifo *fifo, struct waiting *item);
struct waiting *fifo_pop(struct fifo *fifo);

/* Part of a radio's stream of bytes, on the air or to be repeated. */
struct frame {
    struct frame *next;
    uint64_t begin, end;
    uint64_t sent_count;
    uint64_t ready_ns; /* not to be repeated before */
    uint64_t missing;  /* bit i: end i is a receiver and lacks it */
    bool rests;        /* collided in this transmission */
};

/* Where a radio stands before a transmission, on a contention channel. */
enum contention_state {
    CONTENTION_NOTHING, /* to send */
    CONTENTION_HELD,    /* waits for the channel: wait_count slots are left */
    CONTENTION_COUNTING /* transmits at begin_ns, if nobody does before */
};

struct contender {
    enum contention_state state;
    uint64_t window_count, wait_count, begin_ns;
};

/* A radio's queue is a stream of bytes, of which a part is in frames. */
struct radio {
    struct fifo queue;
    uint64_t queue_bytes; /* room taken, by whole packets */
    uint64_t stream_end, stream_sent;
    struct frame *repeats; /* in the order of the stream */
    size_t step, wanted_step, stuck_step;
    bool is_away;
    struct air_reading counts; /* what it has counted */

    /* The transmission under way. */
    bool is_sending;
    struct frame *frame;             /* NULL: still the overhead */
    uint64_t edge_ns;                /* its end, or that of the overhead */
    uint64_t frames_ns;              /* when the first frame began */
    uint64_t air_bytes;              /* frames so far, with their overhead */
    uint64_t room_air_bytes;         /* most of them that the slot holds */
    bool is_start_hit, is_frame_hit; /* by others' transmissions */
    bool has_collided;
    struct air_transmission transmission;
    struct contender contender;
};

/* Other users of a channel. */
struct others {
    double share_ratio;
    uint64_t length_ns;
    uint64_t next_ns; /* the next one wants to transmit; AIR_NEVER: none */
    uint64_t busy_until_ns;
    struct draw draw;
};

enum turn_state {
    TURN_LOOK, /* until edge_ns; then the queue is looked at */
    TURN_SENDING,
    TURN_OVER, /* until edge_ns, whatever comes */
    TURN_REST  /* until somebody has data */
};

struct channel {
    bool is_contention;
    size_t members[PLAN_ENDS_MAX]; /* who may transmit, in order */
    size_t member_count;
    struct others others;

    /* Turns. */
    uint64_t further_count; /* turns of stations that are not among the ends */
    bool rests;             /* when nobody has data */
    bool is_fixed;
    uint64_t idle_turn_ns, look_after_ns;
    size_t ring[PLAN_ENDS_MAX + 32]; /* who has turns now; AIR_NOBODY */
    size_t ring_count;
    size_t place; /* of the turn's holder, in the ring */
    enum turn_state state;
    uint64_t turn_ns, edge_ns;
    struct air_idle idle; /* the run of idle turns before this one */

    /* Contention. */
    uint64_t free_since_ns;
    bool is_busy;
};

struct air {
    struct air_config config;
    struct air_listener listener;
    struct radio radios[PLAN_ENDS_MAX];
    struct channel channels[2];
    size_t channel_count;
    struct faults *faults;
    struct fifo arriving; /* in the order of over_ns */
    uint64_t began_ns, now_ns;
    struct draw draw; /* of the back-off */
};

void *air_allocate(size_t size);
/* Radios that are not transmitting take the step that they were told. */
void air_settle_steps(struct air *air);

/* --- air_radio.c ---------------------------------------------------------- */

/* When there is something to send: 0 already, AIR_NEVER nothing. */
uint64_t radio_ready_ns(const struct radio *radio);
bool radio_is_ready(const struct radio *radio, uint64_t at_ns);
/* A transmission, its overhead from began_ns on; called at looked_ns. */
void radio_begin(struct air *air, size_t end, uint64_t began_ns,
                 uint64_t looked_ns);
/* At edge_ns: the next frame, or the end of the transmission (then true). */
bool radio_pass_edge(struct air *air, size_t end);
/* Cut off, when the air is closed. */
void radio_end(struct air *air, size_t end);
/* Another transmission begins, or has begun, while this one is under way. */
void radio_hit(struct radio *radio);
void radio_free(struct radio *radio);

/* --- air_arrivals.c ------------------------------------------------------- */

/* The frame is over.  True: it is to be repeated. */
bool arrivals_take_frame(struct air *air, size_t from, struct frame *frame);
void arrivals_tell(struct air *air, struct waiting *item, enum air_fate fate);
void arrivals_deliver(struct air *air); /* the first of them */

/* --- the channels --------------------------------------------------------- */

void turns_begin(struct air *air, struct channel *channel, uint64_t at_ns);
/* When something is due next; idle turns that nobody waits for are left out. */
uint64_t turns_due_ns(const struct air *air, const struct channel *channel);
/* The next edge, were all of them looked at. */
uint64_t turns_edge_ns(const struct air *air, const struct channel *channel);
void turns_pass_edge(struct air *air, struct channel *channel, uint64_t now_ns);
void turns_wake(struct air *air, struct channel *channel, uint64_t at_ns);
void turns_tell_idle(struct air *air, struct channel *channel);

void contention_begin(struct channel *channel, uint64_t at_ns);
uint64_t contention_edge_ns(const struct air *air,
                            const struct channel *channel);
void contention_pass_edge(struct air *air, struct channel *channel);
void contention_wake(struct air *air, struct channel *channel, size_t end,
                     uint64_t at_ns);

/* --- air_others.c --------------------------------------------------------- */

void others_set(struct others *others, uint64_t now_ns, double share_ratio,
                uint64_t length_ns);
/* The channel has been free for them since free_ns: when it is free for us, not
 * before at_ns. */
uint64_t others_until_ns(struct air *air, struct others *others,
                         uint64_t free_ns, uint64_t at_ns);
/* One transmission of others begins at at_ns; returns its end. */
uint64_t others_begin(struct air *air, struct others *others, uint64_t at_ns);

#endif
