/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/charts.h"

#include "reports/drawing.h"
#include "reports/wording.h"

static const double page_width = 760;
static const double page_margin = 24;
static const double title_size = 15;
static const double small_size = 12;
static const double text_size = 13;
static const double k = 1e3; /* charts show kbit/s and ms */

/* Charts of this kind in one report: beyond, the figures are in the tables. */
static const int charts_most = 40;

struct writer {
    const struct reduction *reduction;
    const char *folder;
    struct rows *files;
};

static int write_chart(struct writer *writer, const struct chart_file *file,
                       double height, drawing_fn *draw, const void *chart,
                       struct fault *fault)
{
    char path[4160];

    (void) snprintf(path, sizeof(path), "%s/%s", writer->folder, file->name);
    *(struct chart_file *) rows_add(writer->files) = *file;
    return drawing_write(path, page_width, height, draw, chart, fault);
}

static void draw_title(cairo_t *page, const char *title)
{
    drawing_ink(page, INK_TEXT);
    drawing_text(page, page_margin, 30, title_size, true, ANCHOR_LEFT, title);
}

static void draw_band_key(cairo_t *page, double x, const char *what)
{
    drawing_ink(page, INK_BAND);
    drawing_rectangle(page, x, 46, x + 26, 60);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, x + 33, 58, small_size, false, ANCHOR_LEFT, what);
}

static double largest(double a, double b)
{
    return b > a ? b : a; /* a NaN b loses */
}

/* --- goodput by step ------------------------------------------------------ */

struct step_chart {
    const struct rows *table; /* of struct finding */
    char title[240];
};

static const double row_height = 34;
static const double rows_top = 78;
static const double names_width = 190;
static const double figures_width = 150;

/* Which of the directions this is: in the order they come up. */
static size_t series_of(const struct rows *table, const struct finding *finding)
{
    size_t series = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *earlier = rows_at(table, i);
        bool is_new = true;

        if (strcmp(earlier->from, finding->from) == 0
            && strcmp(earlier->to, finding->to) == 0)
            return series;
        for (size_t j = 0; j < i; j++) {
            const struct finding *other = rows_at(table, j);

            if (strcmp(other->from, earlier->from) == 0
                && strcmp(other->to, earlier->to) == 0)
                is_new = false;
        }
        series += is_new;
    }
    return series;
}

static void draw_step_key(cairo_t *page, double x)
{
    draw_band_key(page, x, "expected");
    drawing_line(page, x + 110, 53, x + 136, 53, 2);
    drawing_mark(page, x + 123, 53, 0);
    drawing_text(page, x + 143, 58, small_size, false, ANCHOR_LEFT,
                 "measured, with 95 % interval");
}

static void draw_interval(cairo_t *page, double x1, double x2, double y)
{
    drawing_line(page, x1, y, x2, y, 2);
    drawing_line(page, x1, y - 7, x1, y + 7, 2);
    drawing_line(page, x2, y - 7, x2, y + 7, 2);
}

static void draw_step_row(cairo_t *page, const struct plot *plot, double y,
                          const struct finding *finding, size_t series)
{
    char text[160];
    char clean[160];
    char figure[FIGURE_SIZE];

    (void) snprintf(text, sizeof(text), "%s → %s", finding->from, finding->to);
    wording_clean(text, clean, sizeof(clean));
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->left - 14, y + 4.5, text_size, false, ANCHOR_RIGHT,
                 clean);
    if (!isnan(finding->expected_low)) {
        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, plot_x(plot, finding->expected_low / k), y - 11,
                          plot_x(plot, finding->expected_high / k), y + 11);
    }
    if (isnan(finding->value)) {
        drawing_ink(page, INK_TEXT);
        drawing_text(page, plot->right + 14, y + 4.5, text_size, false,
                     ANCHOR_LEFT, "not measured");
        return;
    }
    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    if (isfinite(finding->low) && isfinite(finding->high))
        draw_interval(page, plot_x(plot, fmax(finding->low / k, 0)),
                      plot_x(plot, finding->high / k), y);
    drawing_mark(page, plot_x(plot, finding->value / k), y, series);
    wording_figure(finding, k, 2, figure);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->right + 14, y + 4.5, text_size, false, ANCHOR_LEFT,
                 figure);
}

static double steps_most(const struct rows *table)
{
    double most = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        most = largest(most, finding->value);
        most = largest(most, finding->high);
        most = largest(most, finding->expected_high);
    }
    return most;
}

static double steps_height(const struct rows *table)
{
    double height = rows_top + 60;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);
        const struct finding *before = i ? rows_at(table, i - 1) : NULL;

        height += row_height;
        if (!before || strcmp(before->step, finding->step) != 0)
            height += row_height * 0.8;
    }
    return height;
}

static void draw_steps(cairo_t *page, const void *chart_)
{
    const struct step_chart *chart = chart_;
    const double bottom = steps_height(chart->table) - 60;
    const struct plot plot = {
        .left = page_margin + names_width,
        .right = page_width - page_margin - figures_width,
        .top = rows_top,
        .bottom = bottom,
        .x = ticks_for(0, steps_most(chart->table) / k, 6),
    };
    double y = rows_top - row_height * 0.3;

    draw_title(page, chart->title);
    draw_step_key(page, page_margin);
    plot_axis_x(page, &plot, "goodput, kbit/s");
    for (size_t i = 0; i < chart->table->count; i++) {
        const struct finding *finding = rows_at(chart->table, i);
        const struct finding *before = i ? rows_at(chart->table, i - 1) : NULL;

        y += row_height;
        if (!before || strcmp(before->step, finding->step) != 0) {
            char step[NAME_SIZE];

            wording_clean(finding->step, step, sizeof(step));
            drawing_ink(page, INK_TEXT);
            drawing_text(page, page_margin, y - 2, text_size, true, ANCHOR_LEFT,
                         step);
            y += row_height * 0.8;
        }
        draw_step_row(page, &plot, y - row_height * 0.2, finding,
                      series_of(chart->table, finding));
    }
}

static void title_exceptions(const struct verdict_counts *counts, size_t judged,
                             char *ret_title, size_t size)
{
    const struct {
        size_t count;
        const char *what;
    } exceptions[] = { { counts->is_short, "short" },
                       { counts->exceeds, "above what is possible" },
                       { counts->undecided, "undecided" } };
    int used =
        snprintf(ret_title, size, "%zu of %zu carry what the step should",
                 counts->meets, judged);

    for (size_t i = 0; i < COUNT_OF(exceptions); i++) {
        if (exceptions[i].count)
            used += snprintf(ret_title + used, size - (size_t) used, ", %zu %s",
                             exceptions[i].count, exceptions[i].what);
    }
}

static void title_steps(const struct rows *table, char *ret_title, size_t size)
{
    const struct verdict_counts counts = wording_counts(table);
    const size_t judged =
        counts.meets + counts.is_short + counts.exceeds + counts.undecided;

    if (!judged)
        (void) snprintf(ret_title, size, "Goodput by step and direction");
    else if (counts.meets == judged)
        (void) snprintf(ret_title, size,
                        "Every step carries what it should (%zu of %zu)",
                        counts.meets, judged);
    else
        title_exceptions(&counts, judged, ret_title, size);
}

static int chart_steps(struct writer *writer, struct fault *fault)
{
    struct rows table = wording_table(writer->reduction, "goodput_steady");
    struct step_chart chart = { .table = &table };
    struct chart_file file = { .name = "charts/goodput-by-step",
                               .place = CHART_SUMMARY };
    int code = 0;

    title_steps(&table, chart.title, sizeof(chart.title));
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    if (steps_most(&table) > 0)
        code = write_chart(writer, &file, steps_height(&table), draw_steps,
                           &chart, fault);
    rows_clear(&table);
    return code;
}

/* --- goodput over time ---------------------------------------------------- */

struct time_chart {
    const struct curve *curve;
    char title[240];
};

static double curve_most(const struct curve *curve, bool is_x)
{
    double most = 0;

    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);

        most = largest(most, is_x ? point->x : point->y);
    }
    return most;
}

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
    const double most = largest(curve_most(curve, false), curve->expected.high);
    struct plot plot = {
        .left = page_margin + 44,
        .right = page_width - page_margin,
        .top = 96,
        .bottom = 290,
        .x = ticks_for(0, curve_most(curve, true), 7),
        .y = ticks_for(0, most / k, 5),
    };

    ticks_end_at(&plot.x, curve_most(curve, true) * 1.02);
    draw_title(page, chart->title);
    if (range_is_said(curve->expected))
        draw_band_key(page, page_margin, "expected");
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

static int chart_times(struct writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        struct time_chart chart = { .curve = curve };
        struct chart_file file = { .place = CHART_OVER_TIME };

        if (curve->form != CURVE_RATE || ++number > charts_most)
            continue;
        title_time(reduction, reduction_exchange(reduction, curve->exchange),
                   chart.title, sizeof(chart.title));
        (void) snprintf(file.name, sizeof(file.name),
                        "charts/goodput-over-time-%d", number);
        (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
        code = write_chart(writer, &file, 350, draw_time, &chart, fault);
    }
    return code;
}

/* --- round trips ---------------------------------------------------------- */

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
        draw_band_key(page, page_margin, "expected median");
        return;
    }
}

static void draw_trips(cairo_t *page, const void *chart_)
{
    const struct trip_chart *chart = chart_;
    struct plot plot = {
        .left = page_margin + 44,
        .right = page_width - page_margin,
        .top = 96,
        .bottom = 320,
        .x = ticks_for(chart->least_s * k, chart->most_s * k, 8),
        .y = ticks_for(0, 100, 5),
    };
    size_t series = 0;

    ticks_end_at(&plot.x, chart->most_s * k * 1.02);
    draw_title(page, chart->title);
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
        most_s = largest(most_s, 2 * value_at(curve, 0.95));
        longest_s = largest(longest_s, curve_most(curve, true));
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

static int chart_trips(struct writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    int number = 0;
    int code = 0;

    for (size_t i = 0; !code && i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);
        struct trip_chart chart = { .reduction = reduction };
        struct chart_file file = { .place = CHART_ROUND_TRIPS };

        if (curve->form != CURVE_CUMULATIVE || !is_new_step(reduction, i)
            || ++number > charts_most)
            continue;
        chart.step = reduction_exchange(reduction, curve->exchange)->step;
        title_trips(&chart);
        (void) snprintf(file.name, sizeof(file.name), "charts/round-trips-%d",
                        number);
        (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
        code = write_chart(writer, &file, 380, draw_trips, &chart, fault);
    }
    return code;
}

int charts_write(const struct reduction *reduction, const char *folder,
                 struct rows *files, struct fault *fault)
{
    struct writer writer = { reduction, folder, files };
    int code = chart_steps(&writer, fault);

    if (!code)
        code = chart_times(&writer, fault);
    if (!code)
        code = chart_trips(&writer, fault);
    return code;
}
