/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_rows.h"

#include "reports/wording.h"

static const double row_height = 32;
static const double names_width = 190;
static const double figures_width = 150;
static const double axis_height = 56;

double chart_rows_most(const struct rows *table)
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

static bool begins_step(const struct rows *table, size_t row)
{
    const struct finding *finding = rows_at(table, row);

    return row == 0
           || strcmp(((const struct finding *) rows_at(table, row - 1))->step,
                     finding->step)
                  != 0;
}

static double bottom_of(const struct rows *table)
{
    double y = CHART_ROWS_TOP;

    for (size_t i = 0; i < table->count; i++)
        y += begins_step(table, i) ? 2 * row_height : row_height;
    return y;
}

double chart_rows_height(const struct rows *table)
{
    return bottom_of(table) + axis_height;
}

static void draw_texts(cairo_t *page, const struct chart_rows *rows,
                       const struct plot *plot, double y,
                       const struct finding *finding)
{
    char way[160], clean[160], figure[FIGURE_SIZE];

    (void) snprintf(way, sizeof(way), "%s → %s%s", finding->from, finding->to,
                    rows->tells_shared && !wording_is_alone(finding->condition)
                        ? " (shared)"
                        : "");
    wording_clean(way, clean, sizeof(clean));
    drawing_ink(page, INK_TEXT);
    drawing_text_within(page, plot->left - 14, y + 4.5, CHART_TEXT_SIZE, false,
                        ANCHOR_RIGHT, plot->left - 14 - CHART_MARGIN, clean);
    wording_figure(finding, rows->unit, rows->most_decimals, figure);
    drawing_text(page, plot->right + 14, y + 4.5, CHART_TEXT_SIZE, false,
                 ANCHOR_LEFT, isnan(finding->value) ? "not measured" : figure);
}

static void draw_heading(cairo_t *page, double y, const char *step)
{
    char clean[NAME_SIZE];

    wording_clean(step, clean, sizeof(clean));
    drawing_ink(page, INK_TEXT);
    drawing_text(page, CHART_MARGIN, y, CHART_TEXT_SIZE, true, ANCHOR_LEFT,
                 clean);
}

void chart_rows_draw(cairo_t *page, const struct chart_rows *rows)
{
    const struct rows *table = rows->table;
    const struct plot plot = {
        .left = CHART_MARGIN + names_width,
        .right = CHART_WIDTH - CHART_MARGIN - figures_width,
        .top = CHART_ROWS_TOP,
        .bottom = bottom_of(table),
        .x = ticks_for(0, chart_rows_most(table) / rows->unit, 6),
    };
    double y = CHART_ROWS_TOP;

    plot_axis_x(page, &plot, rows->axis);
    for (size_t i = 0; i < table->count; i++) {
        const struct finding *finding = rows_at(table, i);

        if (begins_step(table, i)) {
            y += row_height;
            draw_heading(page, y - 8, finding->step);
        }
        y += row_height;
        draw_texts(page, rows, &plot, y - row_height / 2, finding);
        rows->draw(page, &plot, y - row_height / 2, table, i);
    }
}
