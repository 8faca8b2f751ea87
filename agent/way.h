/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_WAY_H
#define AGENT_WAY_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <jansson.h>
#include <uv.h>

/*
 * The way to an address (GET /way): what the system's routes say, three small
 * echoes, and one of the full size that may not be fragmented.  Tells a link
 * that is there from one that is not before an exchange spends air time on it.
 *
 * on_done is called once, within WAY_LONGEST_MS, with the findings (borrowed);
 * after that the way closes its handles and frees itself.
 */
#define WAY_ECHOES     3
#define WAY_LONGEST_MS 9000

struct way;

struct way_question {
    char to[ADDRESS_SIZE];     /* numeric */
    char from[ADDRESS_SIZE];   /* "": the system's choice */
    char interface[NAME_SIZE]; /* "": any */
    uint64_t bytes;            /* IP bytes of the full-size echo */
};

typedef void way_done_fn(void *owner, json_t *findings);

/* On failure (not an address, no route) nothing is left and on_done is never
 * called.  Without permission for ICMP the findings have the route only. */
int way_start(uv_loop_t *loop, const struct way_question *question,
              way_done_fn *on_done, void *owner, struct way **ret_way,
              struct fault *fault);
/* End now, with what is known; on_done follows before this returns. */
void way_cancel(struct way *way);

#endif
