/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_MADE_RUN_H
#define SUPPORT_MADE_RUN_H

#include "controller/logbook.h"

#include <bothends/plan.h>

/*
 * A run whose truth is known, in a logbook of its own that goes with it: made
 * by hand through the controller's logbook, so that the reducer reads what a
 * real run would have left.
 */
struct made_run {
    char folder[64];
    struct logbook *logbook;
    struct plan plan;
    struct logbook_run run;
    uint64_t group_count;
};

/* A plan of two steps (48 and 96 kbit/s), hub "mill" and station "quay", one
 * download each way and one ping; practice: the run is so marked. */
void made_run_init(struct made_run *made, bool is_practice);
void made_run_clear(struct made_run *made);
sqlite3 *made_run_database(struct made_run *made);

/* One exchange in a group of its own.  Accounts are borrowed; NULL: that end's
 * never came.  Ordered start: the account's begun_ns. */
struct made_exchange {
    const struct kind *kind;
    size_t step; /* index */
    uint64_t round, plan_index;
    const char *from, *to;
    const char *condition; /* NULL: idle */
    const void *spec;
    const struct exchange_account *from_account, *to_account;
    uint64_t to_early_ns;   /* so long before its start "to" began */
    const char *note;       /* NULL: none */
    const char *note_class; /* NULL: "test" */
};
void made_run_add(struct made_run *made, const struct made_exchange *exchange);
/* Several in one group; round, step, place and note are the first one's. */
#define MADE_TOGETHER_MOST 8
void made_run_add_together(struct made_run *made,
                           const struct made_exchange *exchanges, size_t count);
void made_run_end(struct made_run *made, const char *state);

/* Downloads whose receiver got bytes at a constant rate, in slots: of every
 * cycle the first part carries segments, the rest nothing. */
struct made_download {
    double goodput_bps;
    uint64_t cycle_ns, slot_ns;
    uint64_t segments_a_cycle;
    uint64_t for_ns;      /* fed so long */
    uint64_t warm_up_ns;  /* at a quarter of the rate until then */
    uint64_t jitter_seed; /* 0: none; else the cycles' bytes vary */
};
void made_receiver(const struct made_download *download,
                   struct exchange_account *account);
void made_sender(const struct made_download *download,
                 struct exchange_account *account);

/* Echoes: rtt_ns(i) of each, 0: lost. */
void made_prober(const uint64_t *rtts_ns, size_t count,
                 struct exchange_account *account);
void made_answerer(struct exchange_account *account);

#endif
