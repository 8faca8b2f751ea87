/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/reference.h"

#include "controller/plan/reader.h"

#include <reports/reference.h>
#include <string.h>
#include <uv.h>

static int read_its_plan(const struct logbook_run *run, struct plan *ret_plan,
                         struct fault *fault)
{
    struct plan_mistakes mistakes = { 0 };
    const int code = plan_read_text(run->plan_text, strlen(run->plan_text),
                                    ret_plan, &mistakes);

    plan_mistakes_clear(&mistakes);
    if (code)
        return fault_set(fault, UV_EINVAL,
                         "reference: this version cannot read the plan of run "
                         "%lld ('bothends report %lld' says why)",
                         (long long) run->run, (long long) run->run);
    return 0;
}

static int take(struct logbook *logbook, const struct logbook_run *run,
                struct plan *plan, struct fault *fault)
{
    struct plan_reference references[PLAN_STEPS_MAX];
    struct plan its_plan;

    if (read_its_plan(run, &its_plan, fault))
        return fault->code;
    const int code = reference_gather(logbook_database(logbook), run->run,
                                      &its_plan, references, fault);

    if (!code)
        reference_take(plan, &its_plan, references, run->run);
    plan_clear(&its_plan);
    return code;
}

int reference_find(struct logbook *logbook, struct plan *plan,
                   struct fault *fault)
{
    struct logbook_run run = { 0 };
    struct fault unfound = { 0 };
    int code;

    if (!plan->reference_run)
        return 0;
    if (logbook_find_run(logbook, (int64_t) plan->reference_run, &run,
                         &unfound))
        code = fault_set(fault, UV_EINVAL,
                         "reference: found %llu, expected the number of a run "
                         "in '%s' ('bothends runs' lists them)",
                         (unsigned long long) plan->reference_run,
                         logbook_path(logbook));
    else
        code = take(logbook, &run, plan, fault);
    logbook_run_clear(&run);
    return code;
}

void reference_find_or_tell(const char *command, struct logbook *logbook,
                            struct plan *plan)
{
    struct fault fault = { 0 };

    if (reference_find(logbook, plan, &fault))
        (void) fprintf(stderr,
                       "bothends %s: %s; what the steps should carry is not "
                       "taken from it\n",
                       command, fault.text);
}
