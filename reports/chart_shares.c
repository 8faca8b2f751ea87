/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

#include "reports/wording.h"

/*
 * How stations that downloaded at once shared the link: each one's share of
 * all goodput with its interval, and a line at what it was entitled to.
 */
static const double cent = 0.01;
static const double row_height = 30;
static const double rows_top = 78;
static const double names_width = 190;
static const double figures_width = 130;

struct shares_chart {
    const struct rows *table; /* of struct finding */
    char title[240];
};

static double rows_height(const struct rows *table)
{
    double height = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *share = rows_at(table, i);
        const struct finding *before = i ? rows_at(table, i - 1) : NULL;

        height += row_height;
        if (!before || strcmp(before->step, share->step) != 0)
            height += row_height;
    }
    return height;
}

static void draw_key(cairo_t *page)
{
    const double x = CHART_MARGIN;

    drawing_ink(page, INK_TEXT);
    drawing_line(page, x + 12, 45, x + 12, 61, 3);
    drawing_text(page, x + 24, 58, CHART_SMALL_SIZE, false, ANCHOR_LEFT,
                 "entitled to");
    drawing_ink(page, INK_FIRST);
    drawing_line(page, x + 110, 53, x + 136, 53, 2);
    drawing_mark(page, x + 123, 53, 0);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, x + 143, 58, CHART_SMALL_SIZE, false, ANCHOR_LEFT,
                 "share of all goodput, with 95 % interval");
}

static void draw_share(cairo_t *page, const struct plot *plot, double y,
                       const struct finding *share)
{
    const double entitled = (share->expected_low + share->expected_high) / 2;
    char text[160], clean[160], figure[FIGURE_SIZE];

    (void) snprintf(text, sizeof(text), "%s → %s", share->from, share->to);
    wording_clean(text, clean, sizeof(clean));
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->left - 14, y + 4.5, CHART_TEXT_SIZE, false,
                 ANCHOR_RIGHT, clean);
    if (isfinite(entitled))
        drawing_line(page, plot_x(plot, entitled / cent), y - 10,
                     plot_x(plot, entitled / cent), y + 10, 3);
    if (isnan(share->value))
        return;
    drawing_ink(page, INK_FIRST);
    if (isfinite(share->low) && isfinite(share->high))
        drawing_line(page, plot_x(plot, fmax(share->low, 0) / cent), y,
                     plot_x(plot, share->high / cent), y, 2);
    drawing_mark(page, plot_x(plot, share->value / cent), y, 0);
    wording_figure(share, cent, 1, figure);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->right + 14, y + 4.5, CHART_TEXT_SIZE, false,
                 ANCHOR_LEFT, figure);
}

static double most_share(const struct rows *table)
{
    double most = 0;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *share = rows_at(table, i);

        most = chart_larger(most, share->value);
        most = chart_larger(most, share->high);
        most = chart_larger(most, share->expected_high);
    }
    return most;
}

static void draw_shares(cairo_t *page, const void *chart_)
{
    const struct shares_chart *chart = chart_;
    const struct plot plot = {
        .left = CHART_MARGIN + names_width,
        .right = CHART_WIDTH - CHART_MARGIN - figures_width,
        .top = rows_top,
        .bottom = rows_top + rows_height(chart->table),
        .x = ticks_for(0, most_share(chart->table) / cent, 6),
    };
    double y = rows_top;

    chart_title(page, chart->title);
    draw_key(page);
    plot_axis_x(page, &plot, "share of all goodput, %");
    for (size_t i = 0; i < chart->table->count; i++) {
        const struct finding *share = rows_at(chart->table, i);
        const struct finding *before = i ? rows_at(chart->table, i - 1) : NULL;

        if (!before || strcmp(before->step, share->step) != 0) {
            char step[NAME_SIZE];

            wording_clean(share->step, step, sizeof(step));
            y += row_height;
            drawing_ink(page, INK_TEXT);
            drawing_text(page, CHART_MARGIN, y - 8, CHART_TEXT_SIZE, true,
                         ANCHOR_LEFT, step);
        }
        y += row_height;
        draw_share(page, &plot, y - row_height / 2, share);
    }
}

/* By how much the worst served falls behind what it is entitled to. */
static double worst_ratio(const struct rows *table)
{
    double worst = INFINITY;

    for (size_t i = 0; i < table->count; i++) {
        const struct finding *share = rows_at(table, i);
        const double entitled =
            (share->expected_low + share->expected_high) / 2;

        if (isfinite(share->value) && entitled > 0)
            worst = fmin(worst, share->value / entitled);
    }
    return worst;
}

int chart_shares(struct chart_writer *writer, struct fault *fault)
{
    struct rows table = wording_table(writer->reduction, "share_goodput");
    struct shares_chart chart = { .table = &table };
    struct chart_file file = { .name = "charts/shares", .place = CHART_SHARES };
    const double worst = worst_ratio(&table);
    int code = 0;

    if (isfinite(worst))
        (void) snprintf(
            chart.title, sizeof(chart.title),
            "Downloading at once, each got at least %.0f %% of what "
            "it was entitled to",
            100 * fmin(worst, 1));
    else
        (void) snprintf(chart.title, sizeof(chart.title),
                        "How the link was shared");
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    if (most_share(&table) > 0)
        code = chart_write(writer, &file, rows_top + rows_height(&table) + 56,
                           draw_shares, &chart, fault);
    rows_clear(&table);
    return code;
}
