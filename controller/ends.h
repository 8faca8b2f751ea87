/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_ENDS_H
#define CONTROLLER_ENDS_H

#include <bothends/fault.h>
#include <bothends/plan.h>
#include <jansson.h>
#include <uv.h>

/*
 * The agents of a plan's ends, as the conductor speaks to them: one question
 * at a time, each waited for.  The agent of our own computer is started when
 * none runs there.  Loop thread only.
 */
struct ends;

struct ends_wish {
    uv_loop_t *loop;
    const struct plan *plan; /* borrowed until ends_close() */
    const char *plan_path;   /* relative key files start there */
    const char *spool;       /* for the agent of this computer */
    const bool *stop;        /* borrowed; true: the operator wants to end */
};

/* Looks addresses and keys up and starts the own agent; nothing is sent on the
 * link. */
int ends_open(const struct ends_wish *wish, struct ends **ret_ends,
              struct fault *fault);
void ends_close(struct ends *ends);

/* end and number: index into the plan's ends. */

/* Numeric; borrowed until ends_close(). */
const char *ends_address(const struct ends *ends, int end);
/* Is it the end on whose computer we are? */
bool ends_is_own(const struct ends *ends, int end);

/* A host's numeric address, of the family that the end's own has. */
int ends_look_up(const struct ends *ends, int end, const char *host,
                 char ret_address[ADDRESS_SIZE], struct fault *fault);

struct ends_question {
    const char *method;   /* GET, PUT, DELETE */
    const char *target;   /* path and query */
    const json_t *body;   /* borrowed; NULL: none */
    uint64_t timeout_ms;  /* for each try */
    unsigned tries_count; /* 0: as often as usual */
};

struct ends_answer {
    unsigned status;
    json_t *body;      /* may be NULL */
    char text[512];    /* of a refusal, for the operator */
    uint64_t taken_ns; /* from the question to the answer */
};

/*
 * Ask an end that has an agent, and wait for the answer.  0 when a believed
 * answer came, whatever its status; UV_ECANCELED when the operator wants to end
 * (not after ends_finish_up()); else the end was not reached, and the fault
 * says which, where, and what to look at.
 */
int ends_ask(struct ends *ends, int number,
             const struct ends_question *question,
             struct ends_answer *ret_answer, struct fault *fault);
void ends_answer_clear(struct ends_answer *answer);
/* After the operator's word to end, what is left to do is done all the same. */
void ends_finish_up(struct ends *ends);

/* The account is in the logbook: say so with the next question. */
void ends_acknowledge(struct ends *ends, int number, const char *id);
bool ends_has_acknowledgements(const struct ends *ends, int end);

struct ends_clock {
    int64_t offset_ns; /* our monotonic clock minus the agent's */
    uint64_t uncertainty_ns;
    uint64_t latest_round_trip_ns;
};

/* From the answer with the least round trip; UV_EAGAIN when there was none. */
int ends_clock(const struct ends *ends, int number,
               struct ends_clock *ret_clock);
/* The way has changed (another step): forget what was found of far ends. */
void ends_forget_clocks(struct ends *ends);
/* Around a change of the way: nothing that was lost meanwhile is sent again
 * when it has changed. */
void ends_begin_change(struct ends *ends);
void ends_end_change(struct ends *ends);

/* HTTP bytes by now, of the far ends. */
void ends_traffic(const struct ends *ends, uint64_t *ret_sent_bytes,
                  uint64_t *ret_received_bytes);

#endif
