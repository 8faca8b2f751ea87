/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PICTURE_H
#define REPORTS_PICTURE_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <bothends/rows.h>
#include <stdbool.h>

/*
 * A picture of the practice link's air: who transmitted when, and what waited
 * meanwhile, drawn from the ledger (transmissions.tsv, packets.tsv and
 * totals.json in one folder).
 */
struct picture_wish {
    double from_s; /* since the practice link began; NaN: a busy part */
    double for_s;  /* NaN: a few rounds of the channel */
    int access;    /* enum link_access */
};

/* Writes path.svg and path.png. */
int picture_write(const char *ledger, const struct picture_wish *wish,
                  const char *path, struct fault *fault);

/* --- what is drawn: read, put into words, and drawn by picture_*.c -------- */

#define PICTURE_NOBODY SIZE_MAX
/* In one picture: more could not be told apart. */
#define PICTURE_SLOTS_MAX   20000
#define PICTURE_CHANGES_MAX 400000

enum picture_what {
    PICTURE_SENT,
    PICTURE_IDLE,
    PICTURE_OTHER /* another user of the channel */
};

/* A line of transmissions.tsv. */
struct picture_slot {
    enum picture_what what;
    size_t end; /* PICTURE_NOBODY: none of the plan's */
    uint64_t began_ns, ended_ns, turns_count, ip_bytes;
    bool is_collided;
};

/* Of an end's queue. */
struct picture_change {
    size_t end;
    uint64_t at_ns;
    int64_t bytes; /* more than before */
};

struct picture {
    int access;
    char names[PLAN_ENDS_MAX][NAME_SIZE]; /* the hub first */
    size_t end_count;
    uint64_t began_ns;       /* the practice link */
    uint64_t from_ns, to_ns; /* what is shown, in the ledger's time */
    double tick_s;           /* of the axis: both are whole ticks from began */
    struct rows slots;       /* of struct picture_slot, as they began */
    struct rows changes;     /* of struct picture_change, by time */
};

int picture_read(const char *ledger, const struct picture_wish *wish,
                 struct picture *ret_picture, struct fault *fault);
void picture_clear(struct picture *picture);
int picture_draw(const struct picture *picture, const char *path,
                 struct fault *fault);

/* The picture in one sentence: its title. */
void picture_says(const struct picture *picture, char *ret_text, size_t size);
/* How such a channel is shared, for somebody new to it. */
const char *picture_explains(const struct picture *picture);
size_t picture_count(const struct picture *picture, enum picture_what what,
                     bool is_collided);

#endif
