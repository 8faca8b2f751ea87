/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

#include "reports/wording.h"

static const double k = 1e3; /* charts show kbit/s and ms */

struct time_chart {
    const struct curve *curve;
    char title[240];
};

static void draw_warm_up(cairo_t *page, const struct plot *plot,
                         const struct curve *curve)
{
    if (!(curve->steady_from_s > 0))
        return;
    const double x = plot_x(plot, curve->steady_from_s);

    drawing_ink(page, INK_TEXT);
    drawing_line(page, x, plot->top, x, plot->bottom, 1);
    drawing_label(page, x + 6, plot->bottom - 10, INK_TEXT, ANCHOR_LEFT,
                  "steady from here");
}

static void draw_time(cairo_t *page, const void *chart_)
{
    const struct time_chart *chart = chart_;
    const struct curve *curve = chart->curve;
    const double most =
        chart_larger(chart_curve_most(curve, false), curve->expected.high);
    struct plot plot = {
        .left = CHART_MARGIN + 44,
        .right = CHART_WIDTH - CHART_MARGIN,
        .top = 96,
        .bottom = 290,
        .x = ticks_for(0, chart_curve_most(curve, true), 7),
        .y = ticks_for(0, most / k, 5),
    };

    ticks_end_at(&plot.x, chart_curve_most(curve, true) * 1.02);
    chart_title(page, chart->title);
    if (range_is_said(curve->expected))
        chart_band_key(page, CHART_MARGIN, "expected");
    plot_axis_y(page, &plot, "kbit/s");
    if (range_is_said(curve->expected)) {
        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, plot.left,
                          plot_y(&plot, curve->expected.high / k), plot.right,
                          plot_y(&plot, curve->expected.low / k));
    }
    plot_axis_x(page, &plot, "seconds since the first arrival");
    drawing_ink(page, INK_FIRST);
    cairo_new_path(page);
    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);

        cairo_line_to(page, plot_x(&plot, point->x),
                      plot_y(&plot, point->y / k));
    }
    cairo_set_line_width(page, 1.8);
    cairo_set_line_join(page, CAIRO_LINE_JOIN_ROUND);
    cairo_stroke(page);
    draw_warm_up(page, &plot, curve);
}

static const struct finding *finding_of(const struct reduction *reduction,
                                        const char *exchange,
                                        const char *measure)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->exchange, exchange) == 0
            && strcmp(finding->measure, measure) == 0)
            return finding;
    }
    return NULL;
}

static void title_time(const struct reduction *reduction,
                       const struct exchange_record *exchange, char *ret_title,
                       size_t size)
{
    const struct finding *finding =
        finding_of(reduction, exchange->id, "goodput_steady");
    char figure[FIGURE_SIZE] = "";
    char text[240];
    int used = snprintf(text, sizeof(text), "%s, %s → %s", exchange->step,
                        exchange->from, exchange->to);

    if (reduction->plan->rounds > 1)
        used += snprintf(text + used, sizeof(text) - (size_t) used,
                         ", round %u", (unsigned) exchange->round);
    if (finding && !isnan(finding->value)) {
        wording_figure(finding, k, 2, figure);
        figure[strcspn(figure, " ")] = '\0'; /* without its interval */
        used += snprintf(text + used, sizeof(text) - (size_t) used,
                         ": steady at %s kbit/s", figure);
        if (isfinite(wording_share_ratio(finding)))
            (void) snprintf(text + used, sizeof(text) - (size_t) used,
                            ", %.0f %% of expected",
                            100 * wording_share_ratio(finding));
    }
    wording_clean(text, ret_title, size);
}

int chart_times(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        struct time_chart chart = { .curve = curve };
        struct chart_file file = { .place = CHART_OVER_TIME };

        if (curve->form != CURVE_RATE || ++number > CHARTS_MOST)
            continue;
        title_time(reduction, reduction_exchange(reduction, curve->exchange),
                   chart.title, sizeof(chart.title));
        (void) snprintf(file.name, sizeof(file.name),
                        "charts/goodput-over-time-%d", number);
        (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
        code = chart_write(writer, &file, 350, draw_time, &chart, fault);
    }
    return code;
}
