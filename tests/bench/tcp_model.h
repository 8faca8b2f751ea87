/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BENCH_TCP_MODEL_H
#define BENCH_TCP_MODEL_H

#include "controller/rehearsal/air.h"

#include <bothends/exchange.h>

/*
 * A plain TCP sender and receiver on virtual time over the practice link's air:
 * slow start, additive increase, loss found by later segments' arrival,
 * time-outs with back-off, delayed acknowledgements, windows and buffers.  It
 * leaves the accounts of both ends as the agents would.  Knows nothing of the
 * reducer.
 */
#define MODEL_OUTAGES 4
#define MODEL_OTHERS  6

struct model_other {     /* traffic beside it */
    size_t from, to;     /* ends of the air */
    double gap_s, bytes; /* mean gap, exponential; packet */
};

struct tcp_model {
    struct air_config air;
    size_t sender, receiver; /* ends of the air; their computers' interfaces */
    uint64_t seed;
    uint64_t for_ns;     /* fed so long ... */
    uint64_t size_bytes; /* ... or so much */
    double segment_bytes;
    double loss_ratio; /* of packets, each way */
    bool tells_less;   /* an older system's TCP: not since when it heard
                          nothing, nor what came twice or out of order */
    struct {
        uint64_t from_ns, to_ns;
    } outages[MODEL_OUTAGES];
    double receiver_window_bytes, send_buffer_bytes; /* 0: large */
    uint64_t feed_on_ns, feed_off_ns;                /* 0: always on */
    double feed_bps;                                 /* 0: as fast as can be */
    uint64_t answer_wait_ns; /* until the sender answers the request */
    struct model_other others[MODEL_OTHERS];
    size_t other_count;
};

/* Clears nothing; account_clear() is the caller's. */
void tcp_model_run(const struct tcp_model *model,
                   struct exchange_account *ret_sender,
                   struct exchange_account *ret_receiver);

/* Echoes one after the other with random gaps: round trips, 0: lost. */
void echo_model_run(const struct tcp_model *model, size_t echo_count,
                    double gap_s, uint64_t *ret_rtts_ns);

#endif
