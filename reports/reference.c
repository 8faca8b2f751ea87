/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reference.h"

#include "reports/comparison.h"
#include "reports/reduction.h"
#include "reports/report.h"

#include <string.h>

/* --- what it measured ---------------------------------------------------- */

static void widen(struct range *range, double low, double high)
{
    if (isnan(low) || isnan(high))
        return;
    if (!range_is_said(*range))
        *range = (struct range){ low, high };
    range->low = fmin(range->low, low);
    range->high = fmax(range->high, high);
}

/* The role of a site's end; -1: a host, a landmark, or nobody. */
static int role_of(const struct plan *plan, const char *name)
{
    const size_t end = plan_find_end(plan, name);

    return end < plan->end_count && plan_end_is_site(&plan->ends[end])
               ? plan->ends[end].role
               : -1;
}

static bool is_across(const struct plan *plan, const struct finding *finding)
{
    const int from = role_of(plan, finding->from);
    const int to = role_of(plan, finding->to);

    return from >= 0 && to >= 0 && from != to
           && strcmp(finding->condition, "idle") == 0;
}

/* Enough rounds for an interval of their own? */
static bool is_over_rounds(const struct finding *finding)
{
    return finding->round == 0 && finding->samples_count >= ROUNDS_FOR_A_CLAIM
           && !isnan(finding->low);
}

static bool has_over_rounds(const struct reduction *reduction,
                            const struct finding *single)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, single->measure) == 0
            && finding->plan_index == single->plan_index
            && strcmp(finding->step, single->step) == 0
            && is_over_rounds(finding))
            return true;
    }
    return false;
}

/* As far as the single intervals reach, where there are few of them: rounds
 * differ by more than one of them tells. */
static void take_goodput(const struct reduction *reduction, const char *step,
                         struct plan_reference *reference)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, "goodput_steady") != 0
            || strcmp(finding->step, step) != 0
            || is_over_rounds(finding) != has_over_rounds(reduction, finding)
            || (finding->round == 0 && !is_over_rounds(finding))
            || !is_across(reduction->plan, finding))
            continue;
        widen(role_of(reduction->plan, finding->from) == ROLE_HUB
                  ? &reference->to_station_bps
                  : &reference->to_hub_bps,
              finding->low, finding->high);
    }
}

static const uint64_t usual_echo_bytes = 56; /* the ping's preset */

/* Echoes of a size for which something was expected. */
static bool is_usual_echo(const struct exchange_record *exchange)
{
    const struct ping_spec *spec = (const void *) exchange->spec.bytes;

    return strcmp(exchange->kind->name, ping_kind.name) == 0
           && exchange->has_spec && spec->size_bytes == usual_echo_bytes;
}

static void take_echoes(const struct reduction *reduction, const char *step,
                        struct plan_reference *reference)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (!is_usual_echo(exchange) || strcmp(exchange->step, step) != 0)
            continue;
        for (size_t j = 0; j < exchange->finding_count; j++) {
            const struct finding *finding =
                rows_at(&reduction->findings, exchange->first_finding + j);

            if (!is_across(reduction->plan, finding))
                continue;
            if (strcmp(finding->measure, "rtt_least") == 0)
                widen(&reference->least_rtt_ns, finding->value * 1e9,
                      finding->value * 1e9);
            else if (strcmp(finding->measure, "rtt_answered_p50") == 0)
                widen(&reference->median_rtt_ns, finding->low * 1e9,
                      finding->high * 1e9);
        }
    }
}

static void gather_step(const struct reduction *reduction, const char *step,
                        struct plan_reference *ret_reference)
{
    struct plan_reference reference = {
        .run = reduction->run.run,
        .is_practice = reduction->run.is_practice,
        .was_on_air = reduction->plan->on_air,
        .to_station_bps = range_unsaid(),
        .to_hub_bps = range_unsaid(),
        .least_rtt_ns = range_unsaid(),
        .median_rtt_ns = range_unsaid(),
    };

    take_goodput(reduction, step, &reference);
    take_echoes(reduction, step, &reference);
    if (!range_is_said(reference.to_station_bps)
        && !range_is_said(reference.to_hub_bps)
        && !range_is_said(reference.median_rtt_ns)) {
        reference.run = 0;
        (void) snprintf(reference.why, sizeof(reference.why),
                        "it has no steady goodput and no echoes of that step");
    }
    *ret_reference = reference;
}

int reference_gather(sqlite3 *logbook, int64_t run, const struct plan *its_plan,
                     struct plan_reference ret_references[PLAN_STEPS_MAX],
                     struct fault *fault)
{
    struct reduction reduction;

    reduction_init(&reduction, logbook, its_plan);
    const int code = reduction_run(&reduction, run, fault);

    for (size_t i = 0; !code && i < its_plan->step_count; i++)
        gather_step(&reduction, its_plan->steps[i].name, &ret_references[i]);
    reduction_clear(&reduction);
    return code;
}

/* --- for which steps it stands ------------------------------------------- */

/* The first of those keys that says something else in the two records. */
static const char *differing_key(const struct field *fields, size_t field_count,
                                 const char *const *keys, const void *one,
                                 const void *other)
{
    for (size_t i = 0; keys[i]; i++) {
        for (size_t j = 0; j < field_count; j++) {
            if (strcmp(fields[j].key, keys[i]) == 0
                && memcmp(field_of(&fields[j], one),
                          field_of(&fields[j], other), fields[j].size)
                       != 0)
                return keys[i];
        }
    }
    return NULL;
}

static size_t stations_of(const struct plan *plan)
{
    const size_t there = plan_site_count(plan) - 1;

    return plan->link.stations_count > there
               ? (size_t) plan->link.stations_count
               : there;
}

/* What makes them another radio channel; the path may be another. */
static bool differs(const struct plan *plan, const struct plan_step *step,
                    const struct plan *its_plan,
                    const struct plan_step *its_step, char *ret_why,
                    size_t size)
{
    static const char *const of_step[] = { "symbol_rate", "levels", "code_rate",
                                           "usable_rate", NULL };
    static const char *const of_link[] = { "access",
                                           "slots",
                                           "slot_overhead",
                                           "slot_least",
                                           "slot_limit",
                                           "frame.payload",
                                           "frame.overhead",
                                           "repeats.limit",
                                           "repeats.delay",
                                           "contention.carrier_sense",
                                           "contention.slotted",
                                           "contention.slot",
                                           "contention.window",
                                           "contention.window_most",
                                           "mtu",
                                           "window",
                                           NULL };
    const char *key = differing_key(step_fields, COUNT_OF(step_fields), of_step,
                                    step, its_step);

    if (!key)
        key = differing_key(link_fields, COUNT_OF(link_fields), of_link,
                            &plan->link, &its_plan->link);
    if (key)
        (void) snprintf(ret_why, size, "%s was another there", key);
    else if (stations_of(plan) != stations_of(its_plan))
        (void) snprintf(ret_why, size, "it had %zu stations, not %zu",
                        stations_of(its_plan), stations_of(plan));
    else
        return false;
    return true;
}

static void take_step(struct plan *plan, size_t index,
                      const struct plan *its_plan,
                      const struct plan_reference *references)
{
    struct plan_step *step = &plan->steps[index];
    struct plan_reference *reference = &step->reference;

    (void) snprintf(reference->why, sizeof(reference->why),
                    "it has no step of that name");
    for (size_t i = 0; i < its_plan->step_count; i++) {
        if (strcmp(its_plan->steps[i].name, step->name) != 0)
            continue;
        if (!differs(plan, step, its_plan, &its_plan->steps[i], reference->why,
                     sizeof(reference->why)))
            *reference = references[i];
    }
}

void reference_take(struct plan *plan, const struct plan *its_plan,
                    const struct plan_reference references[PLAN_STEPS_MAX],
                    int64_t run)
{
    for (size_t i = 0; i < plan->step_count; i++) {
        plan->steps[i].reference = (struct plan_reference){ .run = 0 };
        take_step(plan, i, its_plan, references);
        plan->steps[i].reference.asked_run = run;
    }
}
