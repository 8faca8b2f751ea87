/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_PROBER_H
#define AGENT_PROBER_H

#include "agent/exchanges/exchange.h"
#include "agent/exchanges/wake.h"

#include <bothends/probing.h>

/*
 * The end that probes, for every kind that does: it sends by the schedule that
 * follows from the seed (bothends/probing.h), waits until all are answered or
 * have waited out, and knows what became of each.  What a probe is, how it is
 * sent and how its answer is known is the kind's.
 */

/* One probe.  The agent's monotonic clock. */
struct probe {
    int state;
    uint64_t planned_ns, sent_ns;
    int sent_source;
    uint64_t received_ns; /* of the first answer; 0: none */
    int received_source;
    uint64_t held_ns; /* the other end's own time, no part of the round trip */
    uint64_t duplicates_count; /* further answers */
    uint8_t ttl;               /* of the first answer */
    bool after_pause;
    uint32_t stamp; /* see stamped_send() */
};

struct prober_counts {
    uint64_t sent, answered, lost, late, unsent, duplicates;
};

/* What comes in faster than this waits for the next turn of the loop: whoever
 * sends without end must not keep us from all else. */
#define PROBER_EVENTS_PER_TURN 1000

/* What the kind does; owner is what prober_init() was given. */
struct prober_calls {
    /* As stamped_send(). */
    int (*send)(void *owner, uint64_t number, uint64_t *ret_sent_ns,
                uint32_t *ret_stamp);
    /* Read what has come to the socket, so many events at the most. */
    void (*take)(void *owner);
    /* All is over: write the account.  Once, before exchange_finish(). */
    void (*settle)(void *owner, const struct prober_counts *counts);
    /* After the last answer stay a while, for copies of it. */
    bool waits_for_copies;
};

struct prober {
    struct exchange *exchange;        /* borrowed */
    const struct prober_calls *calls; /* borrowed */
    void *owner;                      /* borrowed */
    struct probing probing;
    struct probing_schedule schedule;
    struct rows probes; /* of struct probe */
    struct wake next;   /* the next sending, or the end of the waiting */
    uv_poll_t poll;
    unsigned open_handles;
    bool is_closed, all_sent;
    uint64_t last_at_ns;        /* of the probe before, after the start */
    uint64_t outstanding_count; /* sent and not answered */
    uint64_t copies_until_ns;
    struct looks looks; /* until */
    bool is_within;     /* the latest look was content */
};

void prober_init(struct prober *prober, struct exchange *exchange,
                 const struct probing *probing,
                 const struct prober_calls *calls, void *owner);
/* The start has come.  The socket is borrowed until prober_clear(). */
void prober_begin(struct prober *prober, int socket);
/* End now; the exchange is finished when all handles are closed. */
void prober_stop(struct prober *prober);
void prober_clear(struct prober *prober);

/* --- what take() tells --------------------------------------------------- */

struct prober_answer {
    uint64_t number;
    uint64_t at_ns;
    bool from_kernel;
    uint8_t ttl;
    uint64_t held_ns;
};

enum prober_verdict {
    PROBER_FIRST,
    PROBER_AGAIN,
    PROBER_UNASKED, /* no such probe was sent */
};

enum prober_verdict prober_note_answer(struct prober *prober,
                                       const struct prober_answer *answer);
/* When the kernel sent it. */
void prober_note_sent(struct prober *prober, uint32_t stamp, uint64_t at_ns,
                      bool from_kernel);

/* --- what the kind asks -------------------------------------------------- */

uint64_t prober_sent_count(const struct prober *prober); /* unsent included */
const struct probe *prober_probe(const struct prober *prober, uint64_t number);
/* Round trip without the other end's own time; 0: no answer. */
uint64_t prober_rtt_ns(const struct probe *probe);
uint64_t prober_answered_count(const struct prober *prober);
/* How the looks went; nothing where they were not asked for. */
void prober_tell_looks(const struct prober *prober,
                       struct looks_outcome *ret_outcome);

#endif
