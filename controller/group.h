/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_GROUP_H
#define CONTROLLER_GROUP_H

#include "controller/conductor_state.h"

/*
 * One group of exchanges:
 *
 *   tell the ends -> silence -> fetch the accounts -> logbook
 *
 * Between the last answer to an order and the end of the exchanges the
 * controller puts nothing on the link.  It speaks to the agent of its own
 * computer only, and only if that takes part.  conductor_group.c has the flow.
 */

/* What an exchange may need after its longest time, to end by itself. */
#define GROUP_STOP_MARGIN_NS (3 * NS_PER_S)

/* A start lies so many control round trips after the last answer. */
#define GROUP_LEAD_ROUND_TRIPS 3

#define NOTES_MAX 32

/* One end's part in one exchange. */
struct part {
    bool is_told;
    struct ends_clock clock; /* at the order that counted */
    struct exchange_account *account;
};

struct group {
    struct conductor *conductor;
    const struct order_place *place;
    struct ordered_exchange *exchanges;
    struct part (*parts)[2]; /* as the exchanges' parts */
    size_t exchange_count;
    uint64_t started_unix_ns;
    uint64_t sent_bytes, received_bytes; /* control traffic before it */
    uint64_t start_ns;                   /* our monotonic clock, as all below */
    uint64_t planned_end_ns, latest_end_ns;
    char live[80];        /* figure of the own part that is under way, or "" */
    bool may_start_later; /* orders may be repeated with a later start */
    bool is_overtaken;    /* and have to be: the first came after its start */
    bool is_astray;       /* an end has begun, at a start that was put off */
    bool is_refused;      /* an end can't carry its order out ... */
    char refusal[400];    /* ... and why, in words */
    bool is_cut;          /* ended by the operator */
    bool is_lost[PLAN_ENDS_MAX]; /* ends that did not answer: asked once */
    struct logbook_note notes[NOTES_MAX];
    size_t note_count;
    struct rows typed[PLAN_ENDS_MAX]; /* readings, of struct radio_reading */
};

/* --- group_show.c --------------------------------------------------------- */

void group_note(struct group *group, const char *class, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
const char *group_end_name(const struct group *group, int end);
void group_show_live(struct group *group, const char *text);
/* owner: the group; as conductor_pause() wants it. */
void group_show_time_left(void *owner);
/* What each exchange came to. */
void group_show(struct group *group);
/* That nothing was measured and why: a line and a note for each exchange. */
void group_show_refusal(struct group *group);

/* --- group_orders.c ------------------------------------------------------- */

int group_tell_ends(struct group *group, struct fault *fault);
/* Orders that go over the link, and the round trip that the slowest of their
 * ends had last. */
size_t group_far_orders(const struct group *group, uint64_t *ret_round_trip_ns);
/* From the last answer to an order until the start, at that round trip. */
uint64_t group_lead_ns(uint64_t round_trip_ns);

/* --- group_accounts.c ----------------------------------------------------- */

int group_keep_silent(struct group *group, struct fault *fault);
/* What there is: an end that is not reached does not keep us from the others.
 * The first trouble is the one that is returned. */
int group_fetch_accounts(struct group *group, struct fault *fault);
/* End what is told and not through, without asking for patience. */
void group_cancel_part(struct group *group, size_t exchange, size_t number);
/* All of it, the own end first, for it answers at once. */
void group_cancel_all(struct group *group);

/* --- group_store.c -------------------------------------------------------- */

/* Of each site of the group whose radio no agent reads. */
void group_ask_readings(struct group *group, enum reading_moment moment);
/* The agents are told, with the next questions, that they may drop the accounts
 * that have come. */
void group_acknowledge(struct group *group);
/* Into the logbook, and acknowledged. */
int group_store(struct group *group, struct fault *fault);

#endif
