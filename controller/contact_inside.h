/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CONTACT_INSIDE_H
#define CONTROLLER_CONTACT_INSIDE_H

#include "controller/contact.h"

/* Between the files of the proof of contact only. */

/* What is known of one end after the proof. */
struct proof {
    struct contact_self self;
    json_t *self_body;
    json_t *ways; /* what the contact proof found, for the logbook */
    struct contact_way way;
    bool has_way;
};

static inline const char *contact_name(const struct conductor *conductor,
                                       int end)
{
    return conductor->plan->ends[end].name;
}

/* --- contact_ways.c: from an end to another, by the plan's way? ----------- */

/* Whom a way leads to. */
struct way_partner {
    int end; /* -1: a host that is no end */
    const char *name, *address;
};

struct way_partner contact_partner(const struct conductor *conductor, int end);

/* Ask the end's agent about the way; the answer is the caller's. */
int contact_ask_way(struct conductor *conductor, int end,
                    const struct way_partner *to, json_t **ret_body,
                    struct fault *fault);

/* What was found of the way to that name, borrowed; NULL: not asked for. */
const json_t *contact_find_way(const json_t *ways, const char *to_name);

/* The ways of all exchanges, each once; proofs: one an end of the plan. */
int contact_prove_ways(struct conductor *conductor, struct proof *proofs,
                       struct fault *fault);

/* --- contact_ladder.c ----------------------------------------------------- */

/* Say at which rung of the landmarks the link breaks, as seen from our own
 * end.  asks_more: rungs of which nothing is known yet are pinged. */
void contact_show_ladder(struct conductor *conductor, const json_t *known_ways,
                         bool asks_more);

#endif
