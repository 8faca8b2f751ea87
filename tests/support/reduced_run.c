/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

int reduced_run_set_up(void **state)
{
    struct reduced_run *run = calloc(1, sizeof(*run));

    if (!run)
        return -1;
    reduced_run_init(run);
    *state = run;
    return 0;
}

int reduced_run_tear_down(void **state)
{
    reduced_run_clear(*state);
    free(*state);
    return 0;
}

void reduced_run_init(struct reduced_run *run)
{
    run->is_reduced = false;
    made_run_init(&run->made, false);
}

void reduced_run_clear(struct reduced_run *run)
{
    if (run->is_reduced)
        reduction_clear(&run->reduction);
    made_run_clear(&run->made);
}

void reduced_run_add(struct reduced_run *run,
                     const struct made_exchange *exchange,
                     struct exchange_account *from, struct exchange_account *to)
{
    struct made_exchange whole = *exchange;

    whole.from_account = from;
    whole.to_account = to;
    made_run_add(&run->made, &whole);
    if (from)
        account_clear(from);
    if (to)
        account_clear(to);
}

void reduced_run_add_download(struct reduced_run *run, size_t step,
                              uint64_t round, const struct download_spec *spec,
                              struct exchange_account *sender,
                              struct exchange_account *receiver)
{
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &download_kind,
                                             .step = step,
                                             .round = round,
                                             .plan_index = 1,
                                             .from = "mill",
                                             .to = "quay",
                                             .spec = spec },
                    sender, receiver);
}

void reduced_run_add_ping(struct reduced_run *run, size_t step, uint64_t round,
                          const struct ping_spec *spec,
                          struct exchange_account *prober,
                          struct exchange_account *answerer)
{
    reduced_run_add(run,
                    &(struct made_exchange){ .kind = &ping_kind,
                                             .step = step,
                                             .round = round,
                                             .from = "quay",
                                             .to = "mill",
                                             .spec = spec },
                    prober, answerer);
}

void reduced_run_reduce(struct reduced_run *run)
{
    struct fault fault = { 0 };

    if (run->is_reduced)
        reduction_clear(&run->reduction);
    made_run_end(&run->made, "complete");
    reduction_init(&run->reduction, made_run_database(&run->made),
                   &run->made.plan);
    run->is_reduced = true;
    if (reduction_run(&run->reduction, run->made.run.run, &fault))
        fail_msg("%s", fault.text);
}

static bool is_wanted(const struct finding *finding,
                      const struct reduced_wanted *wanted)
{
    return strcmp(finding->measure, wanted->measure) == 0
           && (!wanted->step || strcmp(finding->step, wanted->step) == 0)
           && (!wanted->from || strcmp(finding->from, wanted->from) == 0)
           && (wanted->round == REDUCED_ANY_ROUND
               || finding->round == wanted->round);
}

const struct finding *reduced_run_seek(const struct reduced_run *run,
                                       const struct reduced_wanted *wanted)
{
    for (size_t i = 0; i < run->reduction.findings.count; i++) {
        const struct finding *finding = rows_at(&run->reduction.findings, i);

        if (is_wanted(finding, wanted))
            return finding;
    }
    return NULL;
}

const struct finding *reduced_run_find(const struct reduced_run *run,
                                       const struct reduced_wanted *wanted)
{
    const struct finding *finding = reduced_run_seek(run, wanted);

    if (!finding) {
        fail_msg("no %s of step %s from %s", wanted->measure,
                 wanted->step ? wanted->step : "any",
                 wanted->from ? wanted->from : "any");
        abort(); /* for whoever does not know that it never returns */
    }
    return finding;
}

const struct finding *reduced_run_find_of(const struct reduced_run *run,
                                          const char *measure, const char *step,
                                          uint64_t round)
{
    return reduced_run_find(
        run, &(struct reduced_wanted){ measure, step, NULL, round });
}

bool reduced_run_says(const struct rows *sentences, const char *text)
{
    for (size_t i = 0; i < sentences->count; i++) {
        if (strstr(((const struct sentence *) rows_at(sentences, i))->text,
                   text))
            return true;
    }
    return false;
}
