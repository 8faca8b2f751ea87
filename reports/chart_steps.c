/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

#include "reports/wording.h"

static const double k = 1e3; /* charts show kbit/s and ms */

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
    chart_band_key(page, x, "expected");
    drawing_line(page, x + 110, 53, x + 136, 53, 2);
    drawing_mark(page, x + 123, 53, 0);
    drawing_text(page, x + 143, 58, CHART_SMALL_SIZE, false, ANCHOR_LEFT,
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
    drawing_text(page, plot->left - 14, y + 4.5, CHART_TEXT_SIZE, false,
                 ANCHOR_RIGHT, clean);
    if (!isnan(finding->expected_low)) {
        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, plot_x(plot, finding->expected_low / k), y - 11,
                          plot_x(plot, finding->expected_high / k), y + 11);
    }
    if (isnan(finding->value)) {
        drawing_ink(page, INK_TEXT);
        drawing_text(page, plot->right + 14, y + 4.5, CHART_TEXT_SIZE, false,
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
    drawing_text(page, plot->right + 14, y + 4.5, CHART_TEXT_SIZE, false,
                 ANCHOR_LEFT, figure);
}

static double steps_most(const struct rows *table)
{
    double most = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        most = chart_larger(most, finding->value);
        most = chart_larger(most, finding->high);
        most = chart_larger(most, finding->expected_high);
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
        .left = CHART_MARGIN + names_width,
        .right = CHART_WIDTH - CHART_MARGIN - figures_width,
        .top = rows_top,
        .bottom = bottom,
        .x = ticks_for(0, steps_most(chart->table) / k, 6),
    };
    double y = rows_top - row_height * 0.3;

    chart_title(page, chart->title);
    draw_step_key(page, CHART_MARGIN);
    plot_axis_x(page, &plot, "goodput, kbit/s");
    for (size_t i = 0; i < chart->table->count; i++) {
        const struct finding *finding = rows_at(chart->table, i);
        const struct finding *before = i ? rows_at(chart->table, i - 1) : NULL;

        y += row_height;
        if (!before || strcmp(before->step, finding->step) != 0) {
            char step[NAME_SIZE];

            wording_clean(finding->step, step, sizeof(step));
            drawing_ink(page, INK_TEXT);
            drawing_text(page, CHART_MARGIN, y - 2, CHART_TEXT_SIZE, true,
                         ANCHOR_LEFT, step);
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

int chart_steps(struct chart_writer *writer, struct fault *fault)
{
    struct rows table = wording_table(writer->reduction, "goodput_steady");
    struct step_chart chart = { .table = &table };
    struct chart_file file = { .name = "charts/goodput-by-step",
                               .place = CHART_SUMMARY };
    int code = 0;

    title_steps(&table, chart.title, sizeof(chart.title));
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    if (steps_most(&table) > 0)
        code = chart_write(writer, &file, steps_height(&table), draw_steps,
                           &chart, fault);
    rows_clear(&table);
    return code;
}
