/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_rows.h"

#include "reports/wording.h"

/*
 * How stations that downloaded at once shared the link: each one's share of
 * all goodput with its interval, and a line at what it was entitled to.
 */
static const double cent = 0.01;

struct shares_chart {
    struct chart_rows rows;
    char title[240];
};

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
                       const struct rows *table, size_t row)
{
    const struct finding *share = rows_at(table, row);
    const double entitled = (share->expected_low + share->expected_high) / 2;

    drawing_ink(page, INK_TEXT);
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
}

static void draw_shares(cairo_t *page, const void *chart_)
{
    const struct shares_chart *chart = chart_;

    chart_title(page, chart->title);
    draw_key(page);
    chart_rows_draw(page, &chart->rows);
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
    struct shares_chart chart = { .rows = { .table = &table,
                                            .axis = "share of all goodput, %",
                                            .unit = cent,
                                            .most_decimals = 1,
                                            .draw = draw_share } };
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
    if (chart_rows_most(&table) > 0)
        code = chart_write(writer, &file, chart_rows_height(&table),
                           draw_shares, &chart, fault);
    rows_clear(&table);
    return code;
}
