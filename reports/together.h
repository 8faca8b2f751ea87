/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_TOGETHER_H
#define REPORTS_TOGETHER_H

#include "reports/lookup.h"
#include "reports/reduction.h"

/*
 * What is there only because exchanges ran at once: latency and confirmation
 * under load and as a multiple of idle, the total of downloads against the
 * shared capacity, each one's share of goodput and of airtime, and fairness.
 * All from the span in which every member was active.  After the kinds have
 * reduced and combined.
 */
int together_add(struct reduction *reduction, struct fault *fault);

/* --- between together.c, together_read.c and together_share.c ------------- */

/* One member; times are seconds after the common ordered start. */
struct member {
    size_t exchange; /* index */
    double from_s, until_s;
    /* Of probes or of messages: one each, in the order of sending. */
    struct rows trips; /* of struct trip */
    /* Of a download: when bytes arrived. */
    struct rows pieces; /* of struct piece */
};

struct trip {
    int way;             /* of messages: 0 from, 1 to */
    double at_s, took_s; /* lost: INFINITY */
};

struct piece {
    double at_s, bytes;
};

/* How a kind takes part in a group. */
struct member_kind {
    const char *name;
    int (*read)(const struct reduction *reduction,
                const struct exchange_record *record, struct member *member,
                struct fault *fault);
    int way_count; /* of its trips; 0: none */
    /* The finding under load, as a multiple of idle, and what it is idle. */
    const char *loaded, *ratio, *idle;
};

/* One that brings nothing where the kind is none of them. */
const struct member_kind *
member_kind_of(const struct exchange_record *exchange);
/* The caller clears its rows. */
int member_read(const struct reduction *reduction, size_t exchange,
                struct member *ret_member, struct fault *fault);

struct together {
    struct member members[PLAN_GROUP_MAX];
    size_t count;
    double from_s, until_s; /* all active */
    struct lookup idle;     /* figures without others beside them */
};

/* Rates in equal parts of the span, by whole cycles where those are known. */
#define SPAN_PARTS 20

void together_share(struct reduction *reduction,
                    const struct together *together);

#endif
