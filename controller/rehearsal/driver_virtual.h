/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_VIRTUAL_H
#define REHEARSAL_DRIVER_VIRTUAL_H

#include "controller/rehearsal/air.h"
#include "controller/rehearsal/ledger.h"
#include "controller/rehearsal/timeline.h"

#include <bothends/draw.h>

/*
 * The air on virtual time, with made-up traffic: hours of channel in seconds
 * of computer.  Time starts at 0.
 */

/* Packets of one size from an end to an end. */
struct virtual_source {
    size_t from, to;
    uint64_t packet_bytes;
    uint64_t begin_ns, end_ns;
    uint64_t gap_ns; /* from packet to packet; 0: keep `backlog` of them
                        on their way at any time */
    bool is_poisson; /* gap_ns is the mean of exponential gaps */
    uint64_t backlog_count;

    /* What came of it, for the caller. */
    uint64_t offered_count;
    uint64_t fates_count[FATE_COUNT];
    uint64_t delivered_bytes;
    uint64_t delay_least_ns, delay_most_ns; /* of delivered packets */
    double delay_sum_ns;
    uint64_t copies_count;

    /* The driver's own. */
    struct draw draw;
    uint64_t poisson_next_ns;
};

/* A radio is set to another step. */
struct virtual_step_change {
    uint64_t at_ns;
    size_t end, step;
};

struct virtual_run {
    struct air_config config;
    uint64_t duration_ns;
    struct virtual_source *sources;
    size_t source_count;
    const struct virtual_step_change *changes; /* in the order of time */
    size_t change_count;
    struct timeline *timeline; /* borrowed, began at 0; may be NULL */
    struct ledger *ledger;     /* borrowed; may be NULL */
    /* Sees what the air tells, after the sources' counts; may be empty. */
    struct air_listener listener;
};

/* Runs the channel for the duration and closes it. */
void virtual_run(struct virtual_run *run);

#endif
