/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_panels.h"

#include "reports/pixel_columns.h"
#include "reports/wording.h"

static const double k = 1e3;
static const double one_height = 190;  /* of the only panel */
static const double small_height = 84; /* of one of several */
static const double label_height = 22; /* above each of several */
static const double panels_top = 96;
static const double axis_height = 60;
static const double hatch_gap = 7;      /* of the lines in a gap */
static const double losses_height = 12; /* the strip above round trips */
static const double losses_least = 2.5; /* one in a thousand is seen too */
static const double losses_gap = 10;

/* Time in the unit that suits its length. */
static const struct time_unit {
    double from_s, unit_s;
    const char *word;
} time_units[] = {
    { 3 * 3600, 3600, "hours" },
    { 10 * 60, 60, "minutes" },
    { 0, 1, "seconds" },
};

static const struct time_unit *unit_of(double span_s)
{
    size_t i = 0;

    while (span_s < time_units[i].from_s)
        i++;
    return &time_units[i];
}

/* --- what all panels have in common --------------------------------------- */

struct scale {
    const struct time_unit *time;
    double most_s, most; /* of time, and of the values */
    double unit;         /* of the values' axis */
    const char *word;
    bool has_expected, has_gaps, has_columns;
};

static double most_of(const struct curve *curve)
{
    double most = chart_curve_most(curve, false);

    for (size_t i = 0; i < curve->columns.count; i++)
        most = chart_larger(
            most,
            ((const struct pixel_column *) rows_at(&curve->columns, i))->most);
    return chart_larger(most, curve->expected.high);
}

static void choose_unit(struct scale *scale, const struct curve *curve)
{
    static const char *const words[2][2] = {
        { "round trip, ms", "round trip, s" },
        { "delay one way, ms", "delay one way, s" }
    };
    const bool is_slow = scale->most >= 2;

    if (curve->form == CURVE_RATE) {
        scale->unit = k;
        scale->word = "kbit/s";
    } else {
        scale->unit = is_slow ? 1 : 1e-3;
        scale->word = words[curve->is_one_way][is_slow];
    }
}

static struct scale scale_of(const struct panels_chart *chart)
{
    struct scale scale = { .most = 0 };

    for (size_t i = 0; i < chart->count; i++) {
        const struct curve *curve = chart->panels[i].curve;

        scale.most = chart_larger(scale.most, most_of(curve));
        scale.most_s = chart_larger(scale.most_s, curve->span_s);
        scale.most_s =
            chart_larger(scale.most_s, chart_curve_most(curve, true));
        scale.has_expected =
            scale.has_expected || range_is_said(curve->expected);
        scale.has_gaps = scale.has_gaps || curve->gaps.count;
        scale.has_columns = scale.has_columns || curve->columns.count;
    }
    scale.time = unit_of(scale.most_s);
    choose_unit(&scale, chart->panels[0].curve);
    return scale;
}

static double panel_height(const struct panels_chart *chart)
{
    return chart->count > 1 ? small_height + label_height : one_height;
}

static double chart_height(const struct panels_chart *chart)
{
    return panels_top + (double) chart->count * panel_height(chart)
           + axis_height;
}

/* --- goodput -------------------------------------------------------------- */

static void fill_gap(cairo_t *page, double x1, double x2,
                     const struct plot *plot)
{
    drawing_ink(page, INK_FAINT);
    drawing_rectangle(page, x1, plot->top, x2, plot->bottom);
    drawing_ink(page, INK_TEXT);
    drawing_stripes(page, x1, plot->top, x2, plot->bottom, hatch_gap, 0.4);
}

static void draw_gaps(cairo_t *page, const struct plot *plot,
                      const struct curve *curve, const struct scale *scale)
{
    for (size_t i = 0; i < curve->gaps.count; i++) {
        const struct curve_gap *gap = rows_at(&curve->gaps, i);
        const double x1 = plot_x(plot, gap->from_s / scale->time->unit_s);
        const double x2 = plot_x(plot, gap->to_s / scale->time->unit_s);

        /* At least a hair, or a short one of a long record is not seen. */
        fill_gap(page, x1, fmax(x2, x1 + 1), plot);
    }
}

/* From the least to the most cycle of each column. */
static void draw_columns(cairo_t *page, const struct plot *plot,
                         const struct curve *curve, const struct scale *scale)
{
    cairo_set_source_rgb(page, 0.60, 0.72, 0.84);
    for (size_t i = 0; i < curve->columns.count; i++) {
        const struct pixel_column *column = rows_at(&curve->columns, i);
        const double x = plot_x(plot, pixel_columns_x(column, curve->span_s)
                                          / scale->time->unit_s);

        if (!isnan(column->least))
            drawing_line(page, x, plot_y(plot, column->least / k) + 0.5, x,
                         plot_y(plot, column->most / k) - 0.5, 1.2);
    }
}

static bool is_in_gap(const struct curve *curve, double at_s)
{
    for (size_t i = 0; i < curve->gaps.count; i++) {
        const struct curve_gap *gap = rows_at(&curve->gaps, i);

        if (at_s > gap->from_s && at_s < gap->to_s)
            return true;
    }
    return false;
}

/* A gap has no line: what came at its end was not on its way all the time. */
static void draw_line(cairo_t *page, const struct plot *plot,
                      const struct curve *curve, const struct scale *scale)
{
    drawing_ink(page, INK_FIRST);
    cairo_new_path(page);
    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);

        if (is_in_gap(curve, point->x)) {
            cairo_new_sub_path(page);
            continue;
        }
        cairo_line_to(page, plot_x(plot, point->x / scale->time->unit_s),
                      plot_y(plot, point->y / k));
    }
    cairo_set_line_width(page, 1.8);
    cairo_set_line_join(page, CAIRO_LINE_JOIN_ROUND);
    cairo_stroke(page);
}

static void draw_warm_up(cairo_t *page, const struct plot *plot,
                         const struct curve *curve, const struct scale *scale)
{
    if (!(curve->steady_from_s > 0))
        return;
    const double x = plot_x(plot, curve->steady_from_s / scale->time->unit_s);

    drawing_ink(page, INK_TEXT);
    drawing_line(page, x, plot->top, x, plot->bottom, 1);
    drawing_label(page, x + 6, plot->bottom - 10, INK_TEXT, ANCHOR_LEFT,
                  "steady from here");
}

static void draw_rate(cairo_t *page, const struct plot *plot,
                      const struct curve *curve, const struct scale *scale)
{
    if (range_is_said(curve->expected)) {
        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, plot->left,
                          plot_y(plot, curve->expected.high / k), plot->right,
                          plot_y(plot, curve->expected.low / k));
    }
    draw_gaps(page, plot, curve, scale);
    draw_columns(page, plot, curve, scale);
    draw_line(page, plot, curve, scale);
    draw_warm_up(page, plot, curve, scale);
}

/* --- answers -------------------------------------------------------------- */

/* Each column: its round trips as a dot, or as a line from the least to the
 * most; what was lost in the strip above, the higher the more. */
static void draw_answers(cairo_t *page, const struct plot *plot,
                         const struct curve *curve, const struct scale *scale)
{
    for (size_t i = 0; i < curve->columns.count; i++) {
        const struct pixel_column *column = rows_at(&curve->columns, i);
        const double x = plot_x(plot, pixel_columns_x(column, curve->span_s)
                                          / scale->time->unit_s);
        const double lost =
            (double) column->missing_count / (double) column->count;

        if (lost > 0) {
            drawing_ink(page, INK_SECOND);
            drawing_rectangle(page, x - 1,
                              plot->top - losses_gap
                                  - fmax(losses_height * lost, losses_least),
                              x + 1, plot->top - losses_gap);
        }
        if (isnan(column->least))
            continue;
        drawing_ink(page, INK_FIRST);
        drawing_rectangle(
            page, x - 1.5, plot_y(plot, column->most / scale->unit) - 1.5,
            x + 1.5, plot_y(plot, column->least / scale->unit) + 1.5);
    }
}

static void draw_strip(cairo_t *page, const struct plot *plot)
{
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->left - 8, plot->top - losses_gap - 2,
                 CHART_SMALL_SIZE, false, ANCHOR_RIGHT, "none");
    drawing_ink(page, INK_FAINT);
    drawing_line(page, plot->left, plot->top - losses_gap, plot->right,
                 plot->top - losses_gap, 1);
}

/* --- the whole ------------------------------------------------------------ */

static double key_line(cairo_t *page, double x, const char *what)
{
    drawing_ink(page, INK_TEXT);
    drawing_text(page, x + 33, 58, CHART_SMALL_SIZE, false, ANCHOR_LEFT, what);
    return x + 52 + drawing_text_width(page, CHART_SMALL_SIZE, false, what);
}

static void draw_rate_key(cairo_t *page, const struct scale *scale)
{
    double x = CHART_MARGIN;

    if (scale->has_expected) {
        chart_band_key(page, x, "");
        x = key_line(page, x, "expected, alone on the link");
    }
    if (scale->has_columns) {
        cairo_set_source_rgb(page, 0.60, 0.72, 0.84);
        drawing_rectangle(page, x, 46, x + 26, 60);
        x = key_line(page, x, "least to most cycle");
    }
    if (scale->has_gaps) {
        const struct plot patch = { .top = 46, .bottom = 60 };

        fill_gap(page, x, x + 26, &patch);
        (void) key_line(page, x, "nothing arrived");
    }
}

static void draw_answers_key(cairo_t *page, bool is_one_way)
{
    const double x = CHART_MARGIN;

    drawing_ink(page, INK_FIRST);
    drawing_rectangle(page, x + 11, 51.5, x + 14, 54.5);
    const double next = key_line(page, x,
                                 is_one_way ? "arrived: its delay"
                                            : "answered: its round trip");

    drawing_ink(page, INK_SECOND);
    drawing_rectangle(page, next + 12, 46, next + 14, 60);
    (void) key_line(page, next, is_one_way ? "lost" : "no answer in time");
}

static void draw_panel(cairo_t *page, const struct panels_chart *chart,
                       size_t index, const struct scale *scale)
{
    const struct panel *panel = &chart->panels[index];
    const bool is_rate = panel->curve->form == CURVE_RATE;
    const bool is_only = chart->count == 1;
    const double top = panels_top + (double) index * panel_height(chart);
    struct plot plot = {
        .left = CHART_MARGIN + 48,
        .right = CHART_WIDTH - CHART_MARGIN,
        .top = top + (is_only ? 0 : label_height)
               + (is_rate ? 0 : losses_gap + losses_height),
        .bottom = top + panel_height(chart) - (is_only ? 0 : 6),
        .x = ticks_for(0, scale->most_s / scale->time->unit_s, 7),
        .y = ticks_for(0, scale->most / scale->unit, is_only ? 5 : 3),
    };
    char axis[64];

    ticks_end_at(&plot.x, scale->most_s / scale->time->unit_s);
    if (!is_only) {
        drawing_ink(page, INK_TEXT);
        drawing_text_within(page, plot.left, top + 14, CHART_TEXT_SIZE, false,
                            ANCHOR_LEFT, plot.right - plot.left, panel->label);
    }
    plot_axis_y(page, &plot, "");
    (void) snprintf(axis, sizeof(axis), "%s since the %s", scale->time->word,
                    is_rate ? "first arrival" : "start");
    if (index + 1 == chart->count)
        plot_axis_x(page, &plot, axis);
    else
        plot_grid_x(page, &plot);
    if (is_rate) {
        draw_rate(page, &plot, panel->curve, scale);
    } else {
        draw_strip(page, &plot);
        draw_answers(page, &plot, panel->curve, scale);
    }
}

static void draw_panels(cairo_t *page, const void *chart_)
{
    const struct panels_chart *chart = chart_;
    const struct scale scale = scale_of(chart);
    const bool is_rate = chart->panels[0].curve->form == CURVE_RATE;

    chart_title(page, chart->title);
    if (is_rate)
        draw_rate_key(page, &scale);
    else
        draw_answers_key(page, chart->panels[0].curve->is_one_way);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, CHART_MARGIN, panels_top - 16, CHART_TEXT_SIZE, false,
                 ANCHOR_LEFT, scale.word);
    for (size_t i = 0; i < chart->count; i++)
        draw_panel(page, chart, i, &scale);
}

void chart_panels_add(struct panels_chart *chart, const struct curve *curve,
                      const char *label)
{
    if (chart->count == PANELS_MOST) {
        chart->left_out_count++;
        return;
    }
    struct panel *panel = &chart->panels[chart->count++];

    panel->curve = curve;
    wording_clean(label, panel->label, sizeof(panel->label));
}

int chart_panels_write(struct chart_writer *writer,
                       const struct panels_chart *chart, enum chart_place place,
                       const char *name, struct fault *fault)
{
    struct chart_file file = { .place = place };

    (void) snprintf(file.name, sizeof(file.name), "%s", name);
    (void) snprintf(file.title, sizeof(file.title), "%s", chart->title);
    return chart_write(writer, &file, chart_height(chart), draw_panels, chart,
                       fault);
}
