/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_rows.h"

#include "reports/wording.h"

static const double k = 1e3; /* charts show kbit/s and ms */

struct step_chart {
    struct chart_rows rows;
    char title[240];
};

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

static void draw_step(cairo_t *page, const struct plot *plot, double y,
                      const struct rows *table, size_t row)
{
    const struct finding *finding = rows_at(table, row);
    const size_t series = series_of(table, finding);

    /* It is for one alone. */
    if (!isnan(finding->expected_low) && wording_is_alone(finding->condition)) {
        drawing_ink(page, INK_BAND);
        drawing_rectangle(page, plot_x(plot, finding->expected_low / k), y - 11,
                          plot_x(plot, finding->expected_high / k), y + 11);
    }
    if (isnan(finding->value))
        return;
    drawing_ink(page, (enum ink)(INK_FIRST + series % INK_SERIES));
    if (isfinite(finding->low) && isfinite(finding->high))
        draw_interval(page, plot_x(plot, fmax(finding->low / k, 0)),
                      plot_x(plot, finding->high / k), y);
    drawing_mark(page, plot_x(plot, finding->value / k), y, series);
}

static void draw_steps(cairo_t *page, const void *chart_)
{
    const struct step_chart *chart = chart_;

    chart_title(page, chart->title);
    draw_step_key(page, CHART_MARGIN);
    chart_rows_draw(page, &chart->rows);
}

static void title_exceptions(const struct verdict_counts *counts, size_t judged,
                             char *ret_title, size_t size)
{
    const struct {
        size_t count;
        const char *what;
    } exceptions[] = { { counts->is_short, "short" },
                       { counts->exceeds, "above what is possible" },
                       { counts->undecided, "undecided" },
                       { counts->missing, "not measured" } };
    int used =
        counts->meets
            ? snprintf(ret_title, size, "%zu of %zu %s what the step should",
                       counts->meets, judged,
                       counts->meets == 1 ? "carries" : "carry")
            : snprintf(ret_title, size,
                       "None is shown to carry what the step should");

    for (size_t i = 0; i < COUNT_OF(exceptions); i++) {
        if (exceptions[i].count)
            used += snprintf(ret_title + used, size - (size_t) used, ", %zu %s",
                             exceptions[i].count, exceptions[i].what);
    }
}

static void title_steps(const struct rows *table, char *ret_title, size_t size)
{
    const struct verdict_counts counts = wording_counts(table);
    const size_t judged = counts.meets + counts.is_short + counts.exceeds
                          + counts.undecided + counts.missing;

    if (judged == counts.missing)
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
    struct step_chart chart = { .rows = { .table = &table,
                                          .axis = "goodput, kbit/s",
                                          .unit = k,
                                          .most_decimals = 2,
                                          .tells_shared = true,
                                          .draw = draw_step } };
    struct chart_file file = { .name = "charts/goodput-by-step",
                               .place = CHART_SUMMARY };
    int code = 0;

    title_steps(&table, chart.title, sizeof(chart.title));
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    /* Expectations alone are in the table. */
    if (wording_counts(&table).missing < table.count)
        code = chart_write(writer, &file, chart_rows_height(&table), draw_steps,
                           &chart, fault);
    rows_clear(&table);
    return code;
}
