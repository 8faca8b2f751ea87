/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CONDUCTOR_STATE_H
#define CONTROLLER_CONDUCTOR_STATE_H

#include "controller/conductor.h"
#include "controller/ends.h"
#include "controller/orders.h"

#include <uv.h>

/*
 * What the conductor's parts share: conductor.c (the run), conductor_group.c
 * and group_*.c (one group), contact.c (the proof) and steps.c (setting the
 * steps).
 */
struct conductor {
    const struct conductor_wish *wish;
    const struct plan *plan;
    struct display *display;
    uv_loop_t loop;
    uv_signal_t interrupt;
    uv_timer_t clock; /* of conductor_pause() */
    bool stop;        /* the operator wants to end */
    struct ends *ends;
    struct orders_site site;
    size_t step; /* the one that is set; SIZE_MAX: not known */
    uint64_t attempt;
    bool has_troubles, has_groups;
    bool has_told_end; /* a note says why the run ends early */
    bool is_resumable; /* though nothing is stored: agents keep accounts */
    bool reads_radio[PLAN_ENDS_MAX]; /* the end's agent does */
    uint64_t readings_ns; /* what the slowest of them needs before a start */
};

uint64_t conductor_unix_ns(void);

/* A time-out for a question whose answer may be so long, on the present step:
 * never under 30 s. */
uint64_t conductor_timeout_ms(const struct conductor *conductor,
                              uint64_t answer_bytes);

/* Wait until a moment of uv_hrtime(), calling on_tick (may be NULL) now and
 * then.  UV_ECANCELED when the operator wants to end. */
typedef void conductor_tick_fn(void *owner);
int conductor_pause(struct conductor *conductor, uint64_t until_ns,
                    conductor_tick_fn *on_tick, void *owner);

/* A doubt for the logbook, and on the display. */
int conductor_note(struct conductor *conductor, const char *class,
                   struct fault *fault, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* The same for the logbook alone, of what the display shows anyhow. */
int conductor_note_quietly(struct conductor *conductor, const char *class,
                           struct fault *fault, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* One group, from orders to logbook. */
int conductor_group(struct conductor *conductor,
                    const struct order_place *place, struct fault *fault);

/* What the ends still keep of a group that was cut off: it is ended, fetched
 * and stored; *ret_is_whole when it need not be done again. */
int conductor_salvage_group(struct conductor *conductor,
                            const struct order_place *place, bool *ret_is_whole,
                            struct fault *fault);

#endif
