/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_panels.h"
#include "reports/chart_sets.h"
#include "reports/repeats.h"
#include "reports/wording.h"

#include <inttypes.h>

/*
 * Along time, which probes were answered and how quickly: singly lost ones,
 * bursts and outages look alike in a share, and not here.  Drawn where probes
 * were lost, and of long records.
 */
static const double long_record_s = 1800;

struct losses {
    uint64_t sent_count, lost_count, longest_run_count;
    uint64_t late_count; /* of the lost ones */
};

static struct losses losses_of(const struct reduction *reduction,
                               size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    struct losses losses = { .late_count = wording_late_count(record) };
    uint64_t run_count = 0;

    for (size_t i = 0; i < record->probe_count; i++) {
        const double kept = *(const double *) rows_at(&reduction->probes,
                                                      record->first_probe + i);

        run_count = isinf(kept) ? run_count + 1 : 0;
        losses.sent_count++;
        losses.lost_count += isinf(kept) != 0;
        if (run_count > losses.longest_run_count)
            losses.longest_run_count = run_count;
    }
    return losses;
}

static void tell_losses(const struct losses *losses, char *ret_text,
                        size_t size)
{
    if (!losses->lost_count)
        (void) snprintf(ret_text, size, "all %" PRIu64 " probes answered",
                        losses->sent_count);
    else if (losses->lost_count == losses->sent_count)
        (void) snprintf(ret_text, size, "none of %" PRIu64 " probes answered",
                        losses->sent_count);
    else
        (void) snprintf(ret_text, size,
                        "%" PRIu64 " of %" PRIu64 " probes %s, at most %" PRIu64
                        " in a row",
                        losses->lost_count, losses->sent_count,
                        losses->late_count ? "lost or late" : "lost",
                        losses->longest_run_count);
}

static const struct curve *curve_of(const struct reduction *reduction,
                                    size_t exchange)
{
    for (size_t i = 0; i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);

        if (curve->form == CURVE_ANSWERS && curve->exchange == exchange)
            return curve;
    }
    return NULL;
}

static bool is_worth_it(const struct reduction *reduction,
                        const struct curve *curve)
{
    return curve->columns.count
           && (losses_of(reduction, curve->exchange).lost_count
               || curve->span_s >= long_record_s);
}

/* The rounds in which something was lost; false where there is none. */
static bool gather(const struct reduction *reduction, size_t exchange,
                   struct panels_chart *chart)
{
    struct losses all = { 0 };
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    char name[240], told[120], text[400];

    for (size_t i = exchange; i < reduction->exchanges.count;
         i = repeats_next(reduction, i)) {
        const struct curve *curve = curve_of(reduction, i);
        const struct losses losses = losses_of(reduction, i);

        all.sent_count += losses.sent_count;
        all.lost_count += losses.lost_count;
        all.late_count += losses.late_count;
        if (losses.longest_run_count > all.longest_run_count)
            all.longest_run_count = losses.longest_run_count;
        if (!curve || !is_worth_it(reduction, curve))
            continue;
        tell_losses(&losses, told, sizeof(told));
        (void) snprintf(
            text, sizeof(text), "round %llu: %s",
            (unsigned long long) reduction_exchange(reduction, i)->round, told);
        chart_panels_add(chart, curve, text);
    }
    tell_losses(&all, told, sizeof(told));
    chart_name(&(struct chart_names){ .step = record->step,
                                      .from = record->from,
                                      .to = record->to,
                                      .condition = record->condition },
               name, sizeof(name));
    (void) snprintf(text, sizeof(text), "%s: %s%s", name, told,
                    chart->left_out_count ? " (first rounds)" : "");
    wording_clean(text, chart->title, sizeof(chart->title));
    return chart->count > 0;
}

int chart_answers(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        struct panels_chart chart = { .count = 0 };
        char name[64];

        if (strcmp(reduction_exchange(reduction, i)->kind->name, ping_kind.name)
                != 0
            || number == CHARTS_MOST || !repeats_is_first(reduction, i)
            || !gather(reduction, i, &chart))
            continue;
        (void) snprintf(name, sizeof(name), "charts/answers-over-time-%d",
                        ++number);
        code = chart_panels_write(writer, &chart, CHART_ANSWERS, name, fault);
    }
    return code;
}
