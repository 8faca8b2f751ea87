/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_REDUCED_RUN_H
#define SUPPORT_REDUCED_RUN_H

#include "reports/reduction.h"
#include "tests/support/made_run.h"

/*
 * A made run and what the reducer makes of it; cmocka's, for a failure fails
 * the test.  As a fixture of its own: reduced_run_set_up() and
 * reduced_run_tear_down(); as a part of one: reduced_run_init() and
 * reduced_run_clear().
 */
struct reduced_run {
    struct made_run made;
    struct reduction reduction;
    bool is_reduced;
};

int reduced_run_set_up(void **state);
int reduced_run_tear_down(void **state);
void reduced_run_init(struct reduced_run *run);
void reduced_run_clear(struct reduced_run *run);

/* One exchange with the accounts of its ends, which are cleared (NULL: never
 * came). */
void reduced_run_add(struct reduced_run *run,
                     const struct made_exchange *exchange,
                     struct exchange_account *from,
                     struct exchange_account *to);

/* The same of the made plan's download from mill to quay, and of its ping from
 * quay to mill. */
void reduced_run_add_download(struct reduced_run *run, size_t step,
                              uint64_t round, const struct download_spec *spec,
                              struct exchange_account *sender,
                              struct exchange_account *receiver);
void reduced_run_add_ping(struct reduced_run *run, size_t step, uint64_t round,
                          const struct ping_spec *spec,
                          struct exchange_account *prober,
                          struct exchange_account *answerer);

/* Ends the run and reduces it; once more, it is reduced anew. */
void reduced_run_reduce(struct reduced_run *run);

#define REDUCED_ANY_ROUND UINT64_MAX

/* Which finding; step and from NULL: any.  Round 0: of all rounds together. */
struct reduced_wanted {
    const char *measure, *step, *from;
    uint64_t round;
};
/* The first such one; NULL: none. */
const struct finding *reduced_run_seek(const struct reduced_run *run,
                                       const struct reduced_wanted *wanted);
/* The same; without one the test fails. */
const struct finding *reduced_run_find(const struct reduced_run *run,
                                       const struct reduced_wanted *wanted);
/* The same of that step and round, whatever the way. */
const struct finding *reduced_run_find_of(const struct reduced_run *run,
                                          const char *measure, const char *step,
                                          uint64_t round);

/* Does one of these sentences (struct sentence) hold that text? */
bool reduced_run_says(const struct rows *sentences, const char *text);

#endif
