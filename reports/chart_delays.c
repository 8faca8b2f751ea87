/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_sets.h"
#include "reports/wording.h"

#include <assert.h>

/*
 * Cumulative curves of round trips and of confirmations: the share of all that
 * came back within a time.  One chart for what ran alone on a step, one for
 * each lot that ran at once: idle and loaded times are far apart.
 */
static const double ms = 1e-3;
static const double plot_top = 96;
static const double plot_bottom = 266;
static const double key_top = 324; /* below the axis */
static const double key_line = 19;
#define CURVES_MOST 8

static const struct delay_kind {
    const char *kind;
    const char *file, *axis; /* the axis without its unit */
    enum chart_place place;
    const char *median, *what; /* the finding; "round trips" */
    const char *expected;      /* what the band is */
} delay_kinds[] = {
    { "ping", "charts/round-trips", "round trip", CHART_ROUND_TRIPS, "rtt_p50",
      "round trips", "expected median" },
    { "messages", "charts/confirmations", "time until the confirmation came",
      CHART_CONFIRMATIONS, "confirmed_p50", "messages confirmed",
      "expected median" },
    { "timing", "charts/one-way", "delay one way", CHART_ONE_WAY, "one_way_p50",
      "packets across", "expected least, on an idle channel" },
};

struct delay_chart {
    const struct reduction *reduction;
    const struct delay_kind *kind;
    const struct curve *curves[CURVES_MOST];
    size_t count, left_out_count;
    double unit_s, least_s, most_s;
    bool is_cut; /* the slowest lie off the chart */
    char title[240];
};

/* --- the axis ------------------------------------------------------------- */

/* The value at that share of all sent; the last one where it never gets there.
 */
static double value_at(const struct curve *curve, double share)
{
    const struct point *point = NULL;

    for (size_t i = 0; i < curve->points.count; i++) {
        point = rows_at(&curve->points, i);
        if (point->y >= share)
            break;
    }
    return point ? point->x : 0;
}

/* A few stragglers must not squeeze the rest into a corner: the axis ends at
 * twice the value that 95 of 100 stay below, and the title says so. */
static void scale_axis(struct delay_chart *chart)
{
    double most_s = 0, longest_s = 0, least_s = (double) INFINITY;

    for (size_t i = 0; i < chart->count; i++) {
        const struct curve *curve = chart->curves[i];

        most_s = chart_larger(most_s, 2 * value_at(curve, 0.95));
        longest_s = chart_larger(longest_s, chart_curve_most(curve, true));
        least_s = fmin(least_s, value_at(curve, 0));
        least_s = fmin(least_s, curve->expected.low);
        most_s = chart_larger(most_s, curve->expected.high);
        longest_s = chart_larger(longest_s, curve->expected.high);
    }
    chart->is_cut = longest_s > most_s;
    chart->most_s = chart->is_cut ? most_s : longest_s;
    chart->least_s = least_s < 0.3 * chart->most_s ? 0 : least_s;
    chart->unit_s = chart->most_s >= 2 ? 1 : ms;
}

/* --- drawing -------------------------------------------------------------- */

static void set_series(cairo_t *page, size_t series)
{
    static const double dashes[] = { 7, 4 };

    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    cairo_set_line_width(page, 1.8);
    cairo_set_dash(page, dashes, series < INK_SERIES ? 0 : 2, 0);
}

static void draw_curve(cairo_t *page, const struct plot *plot,
                       const struct delay_chart *chart, size_t series)
{
    const struct curve *curve = chart->curves[series];
    double share = 0;

    set_series(page, series);
    cairo_move_to(page, plot->left, plot_y(plot, 0));
    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);
        const double x =
            plot_x(plot, fmin(point->x / chart->unit_s, plot->x.high));

        cairo_line_to(page, x, plot_y(plot, 100 * share));
        cairo_line_to(page, x, plot_y(plot, 100 * point->y));
        share = point->y;
    }
    cairo_line_to(page, plot->right, plot_y(plot, 100 * share));
    cairo_stroke(page);
    cairo_set_dash(page, NULL, 0, 0);
}

/* At the half that the legend tells of, or as far as the curve comes. */
static void mark_curve(cairo_t *page, const struct plot *plot,
                       const struct delay_chart *chart, size_t series)
{
    const struct curve *curve = chart->curves[series];
    const double last = curve->points.count
                            ? ((const struct point *) rows_at(
                                   &curve->points, curve->points.count - 1))
                                  ->y
                            : 0;
    const double share = fmin(0.5, last);

    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    drawing_mark(page,
                 plot_x(plot, fmin(value_at(curve, share) / chart->unit_s,
                                   plot->x.high)),
                 plot_y(plot, 100 * share), series);
}

/* Several ways on a step may have one expectation between them. */
static bool is_drawn(const struct delay_chart *chart, size_t series)
{
    const struct range expected = chart->curves[series]->expected;

    for (size_t i = 0; i < series; i++) {
        const struct range other = chart->curves[i]->expected;

        if (other.low == expected.low && other.high == expected.high)
            return true;
    }
    return false;
}

static void draw_expected(cairo_t *page, const struct plot *plot,
                          const struct delay_chart *chart)
{
    bool has_any = false;

    for (size_t i = 0; i < chart->count; i++) {
        const struct range expected = chart->curves[i]->expected;

        if (!range_is_said(expected) || is_drawn(chart, i))
            continue;
        has_any = true;
        drawing_ink(page, INK_BAND);
        drawing_rectangle(
            page,
            plot_x(plot, fmax(expected.low / chart->unit_s, plot->x.low)) - 1.5,
            plot->top,
            plot_x(plot, fmin(expected.high / chart->unit_s, plot->x.high))
                + 1.5,
            plot->bottom);
    }
    if (has_any)
        chart_band_key(page, CHART_MARGIN, chart->kind->expected);
}

/* Each way one by itself: whose the band is, at its head. */
static void mark_expected(cairo_t *page, const struct plot *plot,
                          const struct delay_chart *chart)
{
    for (size_t i = 0; i < chart->count; i++) {
        const struct curve *curve = chart->curves[i];
        const double middle_s =
            (curve->expected.low + curve->expected.high) / 2;

        if (!curve->is_one_way || isnan(middle_s) || is_drawn(chart, i))
            continue;
        drawing_ink(page, (enum ink)(INK_FIRST + i % INK_SERIES));
        drawing_mark(page, plot_x(plot, middle_s / chart->unit_s), plot->top,
                     i);
    }
}

static void tell_curve(const struct delay_chart *chart,
                       const struct curve *curve, char *ret_text, size_t size)
{
    const struct exchange_record *exchange =
        reduction_exchange(chart->reduction, curve->exchange);
    const struct finding *median =
        chart_finding(chart->reduction, curve, chart->kind->median);
    char figure[FIGURE_SIZE] = "", text[300];
    char lost[48] = "";

    if (median && isfinite(median->value))
        wording_figure(median, chart->unit_s, chart->unit_s < 1 ? 1 : 2,
                       figure);
    if (curve->missing_count)
        (void) snprintf(lost, sizeof(lost), ", %llu %s",
                        (unsigned long long) curve->missing_count,
                        curve->is_one_way ? "lost" : "not in time");
    (void) snprintf(text, sizeof(text), "%s → %s%s%s%s%s",
                    curve->is_from_second ? exchange->to : exchange->from,
                    curve->is_from_second ? exchange->from : exchange->to,
                    figure[0] ? ": half within " : "", figure,
                    !figure[0]           ? ""
                    : chart->unit_s == 1 ? " s"
                                         : " ms",
                    lost);
    wording_clean(text, ret_text, size);
}

static void draw_key(cairo_t *page, const struct delay_chart *chart)
{
    for (size_t i = 0; i < chart->count; i++) {
        const double y = key_top + key_line * (double) i;
        char text[300];

        set_series(page, i);
        cairo_move_to(page, CHART_MARGIN + 48, y);
        cairo_line_to(page, CHART_MARGIN + 88, y);
        cairo_stroke(page);
        cairo_set_dash(page, NULL, 0, 0);
        drawing_mark(page, CHART_MARGIN + 68, y, i);
        tell_curve(chart, chart->curves[i], text, sizeof(text));
        drawing_ink(page, INK_TEXT);
        drawing_text_within(page, CHART_MARGIN + 100, y + 4.5, CHART_TEXT_SIZE,
                            false, ANCHOR_LEFT,
                            CHART_WIDTH - 2 * CHART_MARGIN - 100, text);
    }
}

static void draw_delays(cairo_t *page, const void *chart_)
{
    const struct delay_chart *chart = chart_;
    struct plot plot = {
        .left = CHART_MARGIN + 48,
        .right = CHART_WIDTH - CHART_MARGIN,
        .top = plot_top,
        .bottom = plot_bottom,
        .x = ticks_for(chart->least_s / chart->unit_s,
                       chart->most_s / chart->unit_s, 11),
        .y = ticks_for(0, 100, 5),
    };
    char axis[80];

    ticks_end_at(&plot.x, chart->most_s / chart->unit_s * 1.02);
    (void) snprintf(axis, sizeof(axis), "%s, %s", chart->kind->axis,
                    chart->unit_s == 1 ? "s" : "ms");
    chart_title(page, chart->title);
    draw_expected(page, &plot, chart);
    plot_axis_y(page, &plot, "% of all sent");
    plot_axis_x(page, &plot, axis);
    for (size_t i = 0; i < chart->count; i++)
        draw_curve(page, &plot, chart, i);
    for (size_t i = 0; i < chart->count; i++)
        mark_curve(page, &plot, chart, i);
    mark_expected(page, &plot, chart);
    draw_key(page, chart);
}

/* --- which curves, and what the chart says -------------------------------- */

static bool is_of_kind(const struct reduction *reduction,
                       const struct delay_kind *kind, size_t index)
{
    const struct curve *curve = rows_at(&reduction->curves, index);

    return curve->form == CURVE_CUMULATIVE && curve->points.count
           && strcmp(reduction_exchange(reduction, curve->exchange)->kind->name,
                     kind->kind)
                  == 0;
}

static bool share_chart(const struct reduction *reduction, size_t a, size_t b)
{
    const size_t one =
        ((const struct curve *) rows_at(&reduction->curves, a))->exchange;
    const size_t two =
        ((const struct curve *) rows_at(&reduction->curves, b))->exchange;
    const struct exchange_record *first = reduction_exchange(reduction, one);
    const struct exchange_record *other = reduction_exchange(reduction, two);

    if (strcmp(first->step, other->step) != 0)
        return false;
    return wording_is_alone(first->condition)
               ? wording_is_alone(other->condition)
               : chart_is_together(reduction, one, two);
}

static void gather(struct delay_chart *chart, size_t first)
{
    const struct reduction *reduction = chart->reduction;

    for (size_t i = first; i < reduction->curves.count; i++) {
        if (!is_of_kind(reduction, chart->kind, i)
            || !share_chart(reduction, first, i))
            continue;
        if (chart->count == CURVES_MOST)
            chart->left_out_count++;
        else
            chart->curves[chart->count++] = rows_at(&reduction->curves, i);
    }
}

/* "within 112 to 171 ms" of the curves of which half came back. */
static void tell_medians(const struct delay_chart *chart, char *ret_text,
                         size_t size)
{
    /* What the clocks leave open is larger than a third digit. */
    const int digits = chart->curves[0]->is_one_way ? 2 : 3;
    double least = (double) INFINITY, most = 0;
    char low[FIGURE_SIZE], high[FIGURE_SIZE];

    for (size_t i = 0; i < chart->count; i++) {
        const struct finding *median = chart_finding(
            chart->reduction, chart->curves[i], chart->kind->median);

        if (!median || !isfinite(median->value))
            continue;
        least = fmin(least, median->value);
        most = fmax(most, median->value);
    }
    ret_text[0] = '\0';
    if (!(most > 0))
        return;
    wording_significant(least / chart->unit_s, digits, low);
    wording_significant(most / chart->unit_s, digits, high);
    (void) snprintf(
        ret_text, size, "%s%s%s %s", low, strcmp(low, high) == 0 ? "" : " to ",
        strcmp(low, high) == 0 ? "" : high, chart->unit_s == 1 ? "s" : "ms");
}

/* ", ± 21 ms from the clocks" of delays one way, which no figure is without. */
static void tell_clocks(const struct delay_chart *chart, char *ret_text,
                        size_t size)
{
    double most_s = 0;
    char number[FIGURE_SIZE];

    ret_text[0] = '\0';
    for (size_t i = 0; i < chart->count; i++) {
        const struct finding *least =
            chart_finding(chart->reduction, chart->curves[i], "one_way_least");

        if (chart->curves[i]->is_one_way && least)
            most_s = chart_larger(most_s, (least->high - least->low) / 2);
    }
    if (!(most_s > 0))
        return;
    wording_significant(most_s >= 1 ? most_s : most_s / ms, 2, number);
    (void) snprintf(ret_text, size, ", ± %s %s from the clocks", number,
                    most_s >= 1 ? "s" : "ms");
}

static void title_chart(struct delay_chart *chart)
{
    const struct exchange_record *exchange =
        reduction_exchange(chart->reduction, chart->curves[0]->exchange);
    char name[160], medians[160], clocks[FIGURE_SIZE + 32], text[560];

    chart_name(
        &(struct chart_names){
            .step = exchange->step,
            .condition = exchange->condition,
            .together_count =
                chart->count > 1 && !wording_is_alone(exchange->condition)
                    ? chart_count_together(chart->reduction,
                                           chart->curves[0]->exchange)
                    : 0 },
        name, sizeof(name));
    tell_medians(chart, medians, sizeof(medians));
    tell_clocks(chart, clocks, sizeof(clocks));
    if (medians[0])
        (void) snprintf(text, sizeof(text),
                        "%s: half of the %s within %s%s%s%s", name,
                        chart->kind->what, medians, clocks,
                        chart->is_cut ? " (the slowest lie off the chart)" : "",
                        chart->left_out_count ? " (first ones)" : "");
    else
        (void) snprintf(text, sizeof(text), "%s: fewer than half %s", name,
                        chart->curves[0]->is_one_way ? "arrived"
                                                     : "came back in time");
    wording_clean(text, chart->title, sizeof(chart->title));
}

static int write_chart(struct chart_writer *writer,
                       const struct delay_kind *kind, size_t first, int number,
                       struct fault *fault)
{
    struct delay_chart chart = { .reduction = writer->reduction, .kind = kind };
    struct chart_file file = { .place = kind->place };

    gather(&chart, first);
    assert(chart.count); /* the first one */
    scale_axis(&chart);
    title_chart(&chart);
    (void) snprintf(file.name, sizeof(file.name), "%s-%d", kind->file, number);
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    return chart_write(writer, &file,
                       key_top + key_line * (double) chart.count + 4,
                       draw_delays, &chart, fault);
}

static bool begins_chart(const struct reduction *reduction,
                         const struct delay_kind *kind, size_t index)
{
    if (!is_of_kind(reduction, kind, index))
        return false;
    for (size_t i = 0; i < index; i++) {
        if (is_of_kind(reduction, kind, i) && share_chart(reduction, i, index))
            return false;
    }
    return true;
}

static int write_kind(struct chart_writer *writer,
                      const struct delay_kind *kind, struct fault *fault)
{
    int number = 0, code = 0;

    for (size_t i = 0; !code && i < writer->reduction->curves.count; i++) {
        if (number < CHARTS_MOST && begins_chart(writer->reduction, kind, i))
            code = write_chart(writer, kind, i, ++number, fault);
    }
    return code;
}

int chart_delays(struct chart_writer *writer, struct fault *fault)
{
    int code = 0;

    for (size_t i = 0; !code && i < COUNT_OF(delay_kinds); i++)
        code = write_kind(writer, &delay_kinds[i], fault);
    return code;
}
