/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_panels.h"
#include "reports/chart_sets.h"
#include "reports/repeats.h"
#include "reports/wording.h"

/*
 * Goodput over time: one chart a download, its rounds below each other; one for
 * those that ran at once, of their first round.
 */
static const double k = 1e3; /* kbit/s */

/* "31.3 kbit/s, 98 % of expected", without the interval. */
static void tell_steady(const struct finding *finding, char *ret_text,
                        size_t size)
{
    char figure[FIGURE_SIZE];

    ret_text[0] = '\0';
    if (!finding || isnan(finding->value))
        return;
    wording_figure(finding, k, 2, figure);
    figure[strcspn(figure, " ")] = '\0';
    if (isfinite(wording_share_ratio(finding))
        && wording_is_alone(finding->condition))
        (void) snprintf(ret_text, size, "%s kbit/s, %.0f %% of expected",
                        figure, 100 * wording_share_ratio(finding));
    else
        (void) snprintf(ret_text, size, "%s kbit/s", figure);
}

static double longest_gap_s(const struct curve *curve)
{
    double longest_s = 0;

    for (size_t i = 0; i < curve->gaps.count; i++) {
        const struct curve_gap *gap = rows_at(&curve->gaps, i);

        longest_s = fmax(longest_s, gap->to_s - gap->from_s);
    }
    return longest_s;
}

/* "; nothing arrived for 6 s" */
static void tell_gap(const struct curve *curve, char *ret_text, size_t size)
{
    const double longest_s = longest_gap_s(curve);
    char number[FIGURE_SIZE];

    ret_text[0] = '\0';
    if (!(longest_s > 0))
        return;
    wording_significant(longest_s, longest_s < 10 ? 2 : 3, number);
    (void) snprintf(ret_text, size, "; nothing arrived for %s s%s", number,
                    curve->gaps.count > 1 ? " at the longest" : "");
}

static void label_panel(const struct reduction *reduction,
                        const struct curve *curve, bool is_round,
                        char *ret_text, size_t size)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, curve->exchange);
    char steady[160], gap[128], name[200];

    tell_steady(chart_finding(reduction, curve, "goodput_steady"), steady,
                sizeof(steady));
    tell_gap(curve, gap, sizeof(gap));
    if (is_round)
        (void) snprintf(name, sizeof(name), "round %llu",
                        (unsigned long long) exchange->round);
    else
        (void) snprintf(name, sizeof(name), "%s → %s", exchange->from,
                        exchange->to);
    (void) snprintf(ret_text, size, "%s%s%s%s", name, steady[0] ? ": " : "",
                    steady, gap);
}

static const struct curve *curve_of(const struct reduction *reduction,
                                    size_t exchange)
{
    for (size_t i = 0; i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);

        if (curve->form == CURVE_RATE && curve->exchange == exchange)
            return curve;
    }
    return NULL;
}

/* "; in 1 of 5 rounds nothing arrived for 6 s" */
static void tell_gaps(const struct panels_chart *chart, char *ret_text,
                      size_t size)
{
    double longest_s = 0;
    size_t gap_count = 0;
    char number[FIGURE_SIZE];

    for (size_t i = 0; i < chart->count; i++) {
        const double gap_s = longest_gap_s(chart->panels[i].curve);

        gap_count += gap_s > 0;
        longest_s = fmax(longest_s, gap_s);
    }
    ret_text[0] = '\0';
    if (chart->count == 1)
        tell_gap(chart->panels[0].curve, ret_text, size);
    else if (gap_count) {
        wording_significant(longest_s, longest_s < 10 ? 2 : 3, number);
        (void) snprintf(
            ret_text, size, "; in %zu of %zu rounds nothing arrived for %s%s s",
            gap_count, chart->count, gap_count > 1 ? "up to " : "", number);
    }
}

static void title_rounds(const struct reduction *reduction,
                         const struct curve *first, struct panels_chart *chart)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, first->exchange);
    struct curve whole = *first;
    char name[240], steady[96], gap[160] = "", text[640];

    whole.is_all_rounds =
        repeats_next(reduction, first->exchange) < reduction->exchanges.count;
    tell_steady(chart_finding(reduction, &whole, "goodput_steady"), steady,
                sizeof(steady));
    tell_gaps(chart, gap, sizeof(gap));
    chart_name(&(struct chart_names){ .step = exchange->step,
                                      .from = exchange->from,
                                      .to = exchange->to,
                                      .condition = exchange->condition },
               name, sizeof(name));
    (void) snprintf(text, sizeof(text), "%s%s%s%s%s", name,
                    steady[0] ? ": steady at " : "", steady, gap,
                    chart->left_out_count ? " (first rounds)" : "");
    wording_clean(text, chart->title, sizeof(chart->title));
}

static void gather_rounds(const struct reduction *reduction,
                          const struct curve *first, struct panels_chart *chart)
{
    for (size_t i = first->exchange; i < reduction->exchanges.count;
         i = repeats_next(reduction, i)) {
        const struct curve *curve = curve_of(reduction, i);
        char label[560];

        if (!curve)
            continue;
        label_panel(reduction, curve, true, label, sizeof(label));
        chart_panels_add(chart, curve, label);
    }
    title_rounds(reduction, first, chart);
}

/* Is the finding of a group the one of that exchange's? */
static bool is_of_group(const struct reduction *reduction,
                        const struct finding *finding, size_t exchange)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        if (reduction_exchange(reduction, i)->plan_index == finding->plan_index
            && chart_is_together(reduction, i, exchange))
            return true;
    }
    return false;
}

static const struct finding *total_of(const struct reduction *reduction,
                                      size_t exchange)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, "goodput_total") == 0
            && finding->round == reduction_exchange(reduction, exchange)->round
            && is_of_group(reduction, finding, exchange))
            return finding;
    }
    return NULL;
}

static void gather_together(const struct reduction *reduction,
                            const struct curve *first,
                            struct panels_chart *chart)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, first->exchange);
    char steady[160], text[400];

    for (size_t i = 0; i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        char label[560];

        if (curve->form != CURVE_RATE
            || !chart_is_together(reduction, first->exchange, curve->exchange))
            continue;
        label_panel(reduction, curve, false, label, sizeof(label));
        chart_panels_add(chart, curve, label);
    }
    tell_steady(total_of(reduction, first->exchange), steady, sizeof(steady));
    (void) snprintf(text, sizeof(text), "%s: %zu downloads at once%s%s%s",
                    exchange->step, chart->count + chart->left_out_count,
                    steady[0] ? ", together " : "", steady,
                    chart->left_out_count ? " (first ones)" : "");
    wording_clean(text, chart->title, sizeof(chart->title));
}

/* Is it the first curve of its chart?  Of downloads at once the later rounds
 * are in the figures only. */
static bool begins_chart(const struct reduction *reduction, size_t index,
                         bool is_single)
{
    const struct curve *curve = rows_at(&reduction->curves, index);

    if (!repeats_is_first(reduction, curve->exchange))
        return false;
    for (size_t i = 0; !is_single && i < index; i++) {
        const struct curve *earlier = rows_at(&reduction->curves, i);

        if (earlier->form == CURVE_RATE
            && chart_is_together(reduction, earlier->exchange, curve->exchange))
            return false;
    }
    return true;
}

/* The only download of its moment, whatever else ran beside it. */
static bool is_single(const struct reduction *reduction, size_t index)
{
    const struct curve *curve = rows_at(&reduction->curves, index);

    for (size_t i = 0; i < reduction->curves.count; i++) {
        const struct curve *other = rows_at(&reduction->curves, i);

        if (i != index && other->form == CURVE_RATE
            && chart_is_together(reduction, other->exchange, curve->exchange))
            return false;
    }
    return true;
}

int chart_times(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        struct panels_chart chart = { .count = 0 };
        char name[64];

        if (curve->form != CURVE_RATE || number == CHARTS_MOST)
            continue;
        const bool is_alone = is_single(reduction, i);

        if (!begins_chart(reduction, i, is_alone))
            continue;
        (is_alone ? gather_rounds : gather_together)(reduction, curve, &chart);
        (void) snprintf(name, sizeof(name), "charts/goodput-over-time-%d",
                        ++number);
        code = chart_panels_write(writer, &chart, CHART_OVER_TIME, name, fault);
    }
    return code;
}
