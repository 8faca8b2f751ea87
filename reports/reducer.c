/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/changes.h"
#include "reports/doubts_compared.h"
#include "reports/doubts_echoes.h"
#include "reports/doubts_weaken.h"
#include "reports/loading.h"
#include "reports/reach.h"
#include "reports/repeats.h"
#include "reports/report.h"
#include "reports/shortfall.h"
#include "reports/together.h"

static const struct report_kind *report_kind_of(const struct kind *kind)
{
    for (size_t i = 0; report_kinds[i]; i++) {
        if (strcmp(report_kinds[i]->name, kind->name) == 0)
            return report_kinds[i];
    }
    return NULL;
}

static void add_control_share(struct reduction *reduction);

void reduction_init(struct reduction *reduction, sqlite3 *logbook,
                    const struct plan *plan)
{
    *reduction = (struct reduction){
        .logbook = logbook,
        .plan = plan,
        .exchanges.row_size = sizeof(struct exchange_record),
        .findings.row_size = sizeof(struct finding),
        .values.row_size = sizeof(struct value_record),
        .probes.row_size = sizeof(double),
        .curves.row_size = sizeof(struct curve),
        .readings.row_size = sizeof(struct reading_record),
        .methods.row_size = sizeof(struct sentence),
        .details.row_size = sizeof(struct sentence),
        .doubts.row_size = sizeof(struct sentence),
        .shortfalls.row_size = sizeof(struct shortfall),
    };
    statistics_prepare();
    for (size_t i = 0; i < plan->step_count; i++)
        capacity_expect_of(plan, &plan->steps[i], &reduction->expectations[i]);
}

void reduction_clear(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->curves.count; i++) {
        struct curve *curve = rows_at(&reduction->curves, i);

        rows_clear(&curve->points);
        rows_clear(&curve->columns);
        rows_clear(&curve->gaps);
    }
    rows_clear(&reduction->exchanges);
    rows_clear(&reduction->findings);
    rows_clear(&reduction->values);
    rows_clear(&reduction->probes);
    rows_clear(&reduction->curves);
    rows_clear(&reduction->readings);
    rows_clear(&reduction->methods);
    rows_clear(&reduction->details);
    rows_clear(&reduction->doubts);
    rows_clear(&reduction->shortfalls);
}

int reduction_run(struct reduction *reduction, int64_t run, struct fault *fault)
{
    int code = loading_run(reduction, run, fault);

    if (!code)
        code = loading_exchanges(reduction, fault);
    repeats_link(reduction);
    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        struct exchange_record *exchange = reduction_exchange(reduction, i);
        const struct report_kind *kind = report_kind_of(exchange->kind);

        exchange->first_finding = reduction->findings.count;
        if (kind)
            code = kind->reduce(reduction, i, fault);
        exchange->finding_count =
            reduction->findings.count - exchange->first_finding;
    }
    if (!code)
        code = loading_groups(reduction, fault);
    if (!code)
        code = loading_readings(reduction, fault);
    if (code)
        return code;
    for (size_t i = 0; report_kinds[i]; i++) {
        if (report_kinds[i]->combine)
            report_kinds[i]->combine(reduction);
    }
    add_control_share(reduction);
    reach_add_methods(reduction);
    doubts_add(reduction);
    doubts_add_counts(reduction);
    code = doubts_add_compared(reduction, fault);
    if (!code)
        code = together_add(reduction, fault);
    if (!code)
        code = changes_add(reduction, fault);
    if (!code)
        code = shortfall_add(reduction, fault);
    if (!code)
        doubts_add_echoes(reduction);
    if (!code)
        code = loading_notes(reduction, fault);
    if (!code)
        doubts_weaken(reduction);
    return code;
}

int reduce_run(sqlite3 *logbook, int64_t run, const struct plan *plan,
               struct rows *ret_findings, struct fault *fault)
{
    struct reduction reduction;

    reduction_init(&reduction, logbook, plan);
    const int code = reduction_run(&reduction, run, fault);

    if (!code) {
        *ret_findings = reduction.findings;
        reduction.findings =
            (struct rows){ sizeof(struct finding), 0, 0, NULL };
    }
    reduction_clear(&reduction);
    return code;
}
/* --- what a run spends on itself ------------------------------------------ */

/* Counts, not samples: the interval is the value. */
static void add_control_share(struct reduction *reduction)
{
    const struct run_record *run = &reduction->run;
    double own_bytes = 0;
    size_t known = 0;

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const double bytes = reduction_exchange(reduction, i)->own_bytes;

        if (!isnan(bytes)) {
            own_bytes += bytes;
            known++;
        }
    }
    struct finding *finding =
        reduction_add_combined(reduction, NULL, "control_share", "ratio");
    const double all_bytes = own_bytes + (double) run->control_bytes;

    if (all_bytes > 0 && known) {
        const double share = (double) run->control_bytes / all_bytes;

        finding_set(finding, &(struct estimate){ share, share, share },
                    run->group_count);
    } else {
        finding_set_why(finding, "no exchange says how much it sent");
    }
}
