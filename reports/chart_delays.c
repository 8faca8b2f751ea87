/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

#include "reports/wording.h"

static const double k = 1e3; /* charts show kbit/s and ms */

struct trip_chart {
    const struct reduction *reduction;
    const char *step;
    double least_s, most_s;
    char title[240];
};

static bool is_of_chart(const struct trip_chart *chart,
                        const struct curve *curve)
{
    return curve->form == CURVE_CUMULATIVE
           && strcmp(
                  reduction_exchange(chart->reduction, curve->exchange)->step,
                  chart->step)
                  == 0;
}

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

static void draw_trip_curve(cairo_t *page, const struct plot *plot,
                            const struct curve *curve, size_t series)
{
    double share = 0;

    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    cairo_move_to(page, plot->left, plot_y(plot, 0));
    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);
        const double x = plot_x(plot, fmin(point->x * k, plot->x.high));

        cairo_line_to(page, x, plot_y(plot, 100 * share));
        cairo_line_to(page, x, plot_y(plot, 100 * point->y));
        share = point->y;
    }
    cairo_line_to(page, plot->right, plot_y(plot, 100 * share));
    cairo_set_line_width(page, 1.8);
    cairo_stroke(page);
}

/* How many curves of the chart lie left of this one, by their medians. */
static size_t rank_of(const struct trip_chart *chart, const struct curve *curve,
                      size_t *ret_count)
{
    const double median = value_at(curve, 0.5);
    size_t rank = 0;

    *ret_count = 0;
    for (size_t i = 0; i < chart->reduction->curves.count; i++) {
        const struct curve *other = rows_at(&chart->reduction->curves, i);

        if (!is_of_chart(chart, other))
            continue;
        ++*ret_count;
        rank += value_at(other, 0.5) < median
                || (other < curve && !(value_at(other, 0.5) > median));
    }
    return rank;
}

/* Beside its curve, where there is most room: the left ones above to the left,
 * the right ones below to the right. */
static void label_trip_curve(cairo_t *page, const struct plot *plot,
                             const struct trip_chart *chart,
                             const struct curve *curve, size_t series)
{
    const struct exchange_record *exchange =
        reduction_exchange(chart->reduction, curve->exchange);
    size_t count;
    const size_t rank = rank_of(chart, curve, &count);
    const bool is_left = 2 * rank + 1 < count;
    const size_t from_edge = is_left ? rank : count - 1 - rank;
    const double place = 0.16 + 0.14 * (double) (from_edge % 3);
    const double share = is_left ? 1.0 - place : place;
    const double x =
        plot_x(plot, fmin(value_at(curve, share) * k, plot->x.high));
    const double y = plot_y(plot, 100 * share);
    char text[240];
    char clean[240];

    (void) snprintf(
        text, sizeof(text), "%s → %s%s%s", exchange->from, exchange->to,
        strcmp(exchange->condition, "idle") ? ", beside " : "",
        strcmp(exchange->condition, "idle") ? exchange->condition : "");
    wording_clean(text, clean, sizeof(clean));
    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    drawing_mark(page, x, y, series);
    drawing_label(page, is_left ? x - 10 : x + 10, is_left ? y - 8 : y + 17,
                  (enum ink)(INK_FIRST + series % INK_SERIES),
                  is_left ? ANCHOR_RIGHT : ANCHOR_LEFT, clean);
}

static void draw_expected_trip(cairo_t *page, const struct plot *plot,
                               const struct trip_chart *chart)
{
    for (size_t i = 0; i < chart->reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&chart->reduction->curves, i);

        if (!is_of_chart(chart, curve) || !range_is_said(curve->expected))
            continue;
        const double x1 = plot_x(plot, curve->expected.low * k);
        const double x2 = plot_x(plot, curve->expected.high * k);

        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, x1 - 1.5, plot->top, x2 + 1.5, plot->bottom);
        chart_band_key(page, CHART_MARGIN, "expected median");
        return;
    }
}

static void draw_trips(cairo_t *page, const void *chart_)
{
    const struct trip_chart *chart = chart_;
    struct plot plot = {
        .left = CHART_MARGIN + 44,
        .right = CHART_WIDTH - CHART_MARGIN,
        .top = 96,
        .bottom = 320,
        .x = ticks_for(chart->least_s * k, chart->most_s * k, 8),
        .y = ticks_for(0, 100, 5),
    };
    size_t series = 0;

    ticks_end_at(&plot.x, chart->most_s * k * 1.02);
    chart_title(page, chart->title);
    plot_axis_y(page, &plot, "% of all sent");
    plot_axis_x(page, &plot, "round trip, ms");
    draw_expected_trip(page, &plot, chart);
    for (size_t i = 0; i < chart->reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&chart->reduction->curves, i);

        if (is_of_chart(chart, curve))
            draw_trip_curve(page, &plot, curve, series++);
    }
    series = 0;
    for (size_t i = 0; i < chart->reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&chart->reduction->curves, i);

        if (is_of_chart(chart, curve))
            label_trip_curve(page, &plot, chart, curve, series++);
    }
}

/* A few stragglers must not squeeze the rest into a corner: the axis ends at
 * twice the value that 95 of 100 stay below, and the title says so. */
static void title_trips(struct trip_chart *chart)
{
    double most_s = 0;
    double longest_s = 0;
    double least_s = (double) INFINITY;
    size_t curves = 0;
    double median_s = (double) NAN;
    char text[240];

    for (size_t i = 0; i < chart->reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&chart->reduction->curves, i);

        if (!is_of_chart(chart, curve))
            continue;
        most_s = chart_larger(most_s, 2 * value_at(curve, 0.95));
        longest_s = chart_larger(longest_s, chart_curve_most(curve, true));
        least_s = fmin(least_s, value_at(curve, 0));
        if (!curves++)
            median_s = value_at(curve, 0.5);
    }
    chart->most_s = longest_s < most_s ? longest_s : most_s;
    chart->least_s = least_s < 0.3 * chart->most_s ? 0 : least_s;
    (void) snprintf(text, sizeof(text),
                    "%s: half of the round trips take %.0f ms or less%s",
                    chart->step, median_s * k,
                    longest_s > most_s ? " (the slowest lie off the chart)"
                                       : "");
    wording_clean(text, chart->title, sizeof(chart->title));
}

static bool is_new_step(const struct reduction *reduction, size_t index)
{
    const struct curve *curve = rows_at(&reduction->curves, index);
    const char *step = reduction_exchange(reduction, curve->exchange)->step;

    for (size_t i = 0; i < index; i++) {
        const struct curve *earlier = rows_at(&reduction->curves, i);

        if (earlier->form == CURVE_CUMULATIVE
            && strcmp(reduction_exchange(reduction, earlier->exchange)->step,
                      step)
                   == 0)
            return false;
    }
    return true;
}

int chart_trips(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        struct trip_chart chart = { .reduction = reduction };
        struct chart_file file = { .place = CHART_ROUND_TRIPS };

        if (curve->form != CURVE_CUMULATIVE || !is_new_step(reduction, i)
            || ++number > CHARTS_MOST)
            continue;
        chart.step = reduction_exchange(reduction, curve->exchange)->step;
        title_trips(&chart);
        (void) snprintf(file.name, sizeof(file.name), "charts/round-trips-%d",
                        number);
        (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
        code = chart_write(writer, &file, 380, draw_trips, &chart, fault);
    }
    return code;
}
