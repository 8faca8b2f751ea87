/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/answers.h"
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

/* A ping has one way that is told, a timing two. */
#define WAYS_MOST 2

struct told_losses {
    struct answer_counts counts;
    uint64_t late_count; /* of the lost ones */
    bool is_one_way, is_there;
};

static const struct answer_words {
    const char *what, *all; /* "all 40 probes answered" */
} words[] = { { "probes", "answered" }, { "packets", "arrived" } };

static void tell_losses(const struct told_losses *losses, char *ret_text,
                        size_t size)
{
    const struct answer_words *word = &words[losses->is_one_way];
    const struct answer_counts *counts = &losses->counts;

    if (!counts->sent_count)
        (void) snprintf(ret_text, size, "nothing to send back");
    else if (!counts->lost_count || counts->lost_count == counts->sent_count)
        (void) snprintf(ret_text, size, "%s %" PRIu64 " %s %s",
                        counts->lost_count ? "none of" : "all",
                        counts->sent_count, word->what, word->all);
    else
        (void) snprintf(ret_text, size,
                        "%" PRIu64 " of %" PRIu64 " %s %s, at most %" PRIu64
                        " in a row",
                        counts->lost_count, counts->sent_count, word->what,
                        losses->late_count ? "lost or late" : "lost",
                        counts->longest_run_count);
}

/* Of that exchange, in the order of its ways. */
static size_t curves_of(const struct reduction *reduction, size_t exchange,
                        const struct curve *ret_curves[WAYS_MOST])
{
    size_t count = 0;

    for (size_t i = 0; i < reduction->curves.count && count < WAYS_MOST; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);

        if (curve->form == CURVE_ANSWERS && curve->exchange == exchange)
            ret_curves[count++] = curve;
    }
    return count;
}

static bool is_worth_it(const struct curve *curve)
{
    return curve->columns.count
           && (curve->answers.lost_count || curve->span_s >= long_record_s);
}

static struct told_losses losses_of(const struct reduction *reduction,
                                    const struct curve *curve)
{
    return (struct told_losses){ .counts = curve->answers,
                                 .late_count =
                                     wording_late_count(reduction_exchange(
                                         reduction, curve->exchange)),
                                 .is_one_way = curve->is_one_way,
                                 .is_there = true };
}

/* "round 2, quay → mill: 3 of 60 packets lost, at most 1 in a row"; the only
 * round has no number. */
static void add_panel(const struct reduction *reduction,
                      const struct curve *curve, struct panels_chart *chart)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, curve->exchange);
    const struct told_losses losses = losses_of(reduction, curve);
    const bool is_back = curve->is_from_second;
    const bool is_repeated = record->first_same != curve->exchange
                             || repeats_next(reduction, curve->exchange)
                                    < reduction->exchanges.count;
    char told[120], round[32] = "", way[160] = "", text[400];

    if (is_repeated || !curve->is_one_way)
        (void) snprintf(round, sizeof(round), "round %llu%s",
                        (unsigned long long) record->round,
                        curve->is_one_way ? ", " : "");
    if (curve->is_one_way)
        (void) snprintf(way, sizeof(way), "%s → %s",
                        is_back ? record->to : record->from,
                        is_back ? record->from : record->to);
    tell_losses(&losses, told, sizeof(told));
    (void) snprintf(text, sizeof(text), "%s%s: %s", round, way, told);
    chart_panels_add(chart, curve, text);
}

static void join(struct told_losses *all, const struct told_losses *more)
{
    answers_join(&all->counts, &more->counts);
    all->late_count += more->late_count;
    all->is_one_way = more->is_one_way;
    all->is_there = true;
}

static void title_chart(const struct reduction *reduction, size_t exchange,
                        const struct told_losses all[WAYS_MOST],
                        struct panels_chart *chart)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    char name[240], there[120], back[140] = "", text[600];

    chart_name(&(struct chart_names){ .step = record->step,
                                      .from = record->from,
                                      .to = record->to,
                                      .condition = record->condition },
               name, sizeof(name));
    tell_losses(&all[0], there, sizeof(there));
    if (all[1].is_there) {
        (void) snprintf(back, sizeof(back), "; back: ");
        tell_losses(&all[1], back + strlen(back), sizeof(back) - strlen(back));
    }
    (void) snprintf(text, sizeof(text), "%s: %s%s%s", name, there, back,
                    chart->left_out_count ? " (first rounds)" : "");
    wording_clean(text, chart->title, sizeof(chart->title));
}

/* The rounds in which something was lost; false where there is none. */
static bool gather(const struct reduction *reduction, size_t exchange,
                   struct panels_chart *chart)
{
    struct told_losses all[WAYS_MOST] = { { .is_there = false } };

    for (size_t i = exchange; i < reduction->exchanges.count;
         i = repeats_next(reduction, i)) {
        const struct curve *curves[WAYS_MOST];
        const size_t count = curves_of(reduction, i, curves);
        bool is_any = false;

        for (size_t way = 0; way < count; way++) {
            const struct told_losses losses = losses_of(reduction, curves[way]);

            join(&all[way], &losses);
            is_any = is_any || is_worth_it(curves[way]);
        }
        for (size_t way = 0; is_any && way < count; way++)
            add_panel(reduction, curves[way], chart);
    }
    title_chart(reduction, exchange, all, chart);
    return chart->count > 0;
}

static int write_chart(struct chart_writer *writer,
                       const struct panels_chart *chart, int number,
                       struct fault *fault)
{
    char name[64];

    (void) snprintf(name, sizeof(name), "charts/answers-over-time-%d", number);
    return chart_panels_write(writer, chart,
                              chart->panels[0].curve->is_one_way
                                  ? CHART_ONE_WAY_LOSSES
                                  : CHART_ANSWERS,
                              name, fault);
}

int chart_answers(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    bool *is_done = calloc(reduction->exchanges.count + 1, sizeof(*is_done));
    int number = 0, code = 0;

    if (!is_done)
        abort();
    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        const size_t first =
            reduction_exchange(reduction, curve->exchange)->first_same;
        struct panels_chart chart = { .count = 0 };

        if (curve->form != CURVE_ANSWERS || is_done[first]
            || number == CHARTS_MOST)
            continue;
        is_done[first] = true;
        if (gather(reduction, first, &chart))
            code = write_chart(writer, &chart, ++number, fault);
    }
    free(is_done);
    return code;
}
