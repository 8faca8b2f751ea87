/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

#include "reports/shortfall.h"
#include "reports/wording.h"

/*
 * One bar for each download that was taken apart: what was measured, then the
 * parts of what is missing, up to what was expected.  Each part is named below
 * the bar, so that the chart reads in grey as well.
 */
static const double k = 1e3; /* kbit/s */
static const double bar_top = 34;
static const double bar_height = 26;
static const double line_height = 17;
static const double rows_top = 56;
#define BARS_MOST 6
/* Thinner parts have no name of their own below the bar. */
static const double named_share = 0.03;

struct shortfall_chart {
    const struct reduction *reduction;
    const struct shortfall *shortfalls[BARS_MOST];
    size_t count;
    double most_bps;
    char title[240];
};

static int rate_decimals(const struct shortfall *shortfall)
{
    return wording_decimals(shortfall->expected_bps / k / 50, 2);
}

static size_t named_count(const struct shortfall *shortfall)
{
    const double missing_bps =
        shortfall->expected_bps - shortfall->measured_bps;
    size_t count = 0;

    for (int part = 0; part < SHORTFALL_PARTS; part++)
        count += shortfall->part_bps[part] >= named_share * missing_bps;
    return count;
}

static double row_height(const struct shortfall *shortfall)
{
    return bar_top + bar_height + 14
           + line_height * (double) named_count(shortfall) + 16;
}

static double chart_height(const struct shortfall_chart *chart)
{
    double height = rows_top + 10;

    for (size_t i = 0; i < chart->count; i++)
        height += row_height(chart->shortfalls[i]);
    return height;
}

static double x_of(const struct shortfall_chart *chart, double bps)
{
    return CHART_MARGIN
           + (CHART_WIDTH - 2 * CHART_MARGIN) * bps / chart->most_bps;
}

/* Hatching tells neighbours apart where colours don't. */
static void fill_part(cairo_t *page, double x1, double x2, double y,
                      size_t number)
{
    drawing_ink(page, (enum ink)(INK_SECOND + number % (INK_SERIES - 1)));
    drawing_rectangle(page, x1, y, x2, y + bar_height);
    cairo_save(page);
    cairo_rectangle(page, x1, y, x2 - x1, bar_height);
    cairo_clip(page);
    cairo_set_source_rgb(page, 1, 1, 1);
    const double gap = 5 + 4 * (double) (number % 3);
    const unsigned lines = (unsigned) ((x2 - x1 + bar_height) / gap) + 1;
    for (unsigned i = 0; i < lines; i++) {
        const double x = x1 - bar_height + gap * i;

        drawing_line(page, x, y + (number % 2 ? bar_height : 0), x + bar_height,
                     y + (number % 2 ? 0 : bar_height), 1);
    }
    cairo_restore(page);
    drawing_ink(page, INK_TEXT);
    drawing_line(page, x1, y, x1, y + bar_height, 1);
}

static void draw_names(cairo_t *page, const struct shortfall_chart *chart,
                       const struct shortfall *shortfall, double y)
{
    char text[400], clean[400];
    const struct exchange_record *exchange =
        reduction_exchange(chart->reduction, shortfall->exchange);

    (void) snprintf(text, sizeof(text),
                    "%s, %s → %s: %.*f of the expected %.*f kbit/s",
                    exchange->step, exchange->from, exchange->to,
                    rate_decimals(shortfall), shortfall->measured_bps / k,
                    rate_decimals(shortfall), shortfall->expected_bps / k);
    wording_clean(text, clean, sizeof(clean));
    drawing_ink(page, INK_TEXT);
    drawing_text(page, CHART_MARGIN, y + 24, CHART_TEXT_SIZE, true, ANCHOR_LEFT,
                 clean);
    cairo_set_source_rgb(page, 1, 1, 1);
    if (shortfall->measured_bps > 0.2 * chart->most_bps)
        drawing_text(page, CHART_MARGIN + 8, y + bar_top + 18, CHART_SMALL_SIZE,
                     true, ANCHOR_LEFT, "measured");
}

static size_t count_named(const struct shortfall *shortfall)
{
    const double missing_bps =
        shortfall->expected_bps - shortfall->measured_bps;
    size_t count = 0;

    for (int part = 0; part < SHORTFALL_PARTS; part++)
        count += shortfall->part_bps[part] > 0
                 && shortfall->part_bps[part] >= named_share * missing_bps;
    return count;
}

/* Towards the wider side of the page; all of a bar to the same. */
static double names_side(const struct shortfall_chart *chart,
                         const struct shortfall *shortfall)
{
    const double middle =
        (shortfall->measured_bps + shortfall->expected_bps) / 2;

    return x_of(chart, middle) > CHART_WIDTH / 2.0 ? -1 : 1;
}

/* Names to the right begin with the last part, those to the left with the
 * first: so no line runs through a name. */
static double name_y(const struct shortfall *shortfall, double side,
                     size_t number, double below)
{
    const size_t row = side > 0 ? count_named(shortfall) - number : number + 1;

    return below + 14 + line_height * (double) row - line_height / 2;
}

static void draw_part(cairo_t *page, const struct shortfall_chart *chart,
                      const struct shortfall *shortfall, int part, double from,
                      double y, size_t number)
{
    const double bps = shortfall->part_bps[part];
    const double missing_bps =
        shortfall->expected_bps - shortfall->measured_bps;
    const double below = y + bar_top + bar_height;
    const double middle = (x_of(chart, from) + x_of(chart, from + bps)) / 2;
    const double side = names_side(chart, shortfall);
    const double text_y = name_y(shortfall, side, number, below);
    char text[160];

    fill_part(page, x_of(chart, from), x_of(chart, from + bps), y + bar_top,
              number);
    if (bps < named_share * missing_bps)
        return;
    (void) snprintf(
        text, sizeof(text), "%s%s%s: %.*f kbit/s (%.0f %%)",
        shortfall_part_words[part],
        part == shortfall->dominant && shortfall->or_else >= 0 ? " or " : "",
        part == shortfall->dominant && shortfall->or_else >= 0
            ? shortfall_part_words[shortfall->or_else]
            : "",
        rate_decimals(shortfall), bps / k, 100 * bps / missing_bps);
    drawing_ink(page, INK_TEXT);
    drawing_line(page, middle, below, middle, text_y - 4, 1);
    drawing_line(page, middle, text_y - 4, middle + side * 6, text_y - 4, 1);
    drawing_text(page, middle + side * 10, text_y, CHART_SMALL_SIZE, false,
                 side < 0 ? ANCHOR_RIGHT : ANCHOR_LEFT, text);
}

static void draw_bar(cairo_t *page, const struct shortfall_chart *chart,
                     const struct shortfall *shortfall, double y)
{
    double from = shortfall->measured_bps;
    size_t number = 0;

    drawing_ink(page, INK_FIRST);
    drawing_rectangle(page, CHART_MARGIN, y + bar_top, x_of(chart, from),
                      y + bar_top + bar_height);
    draw_names(page, chart, shortfall, y);
    for (int part = 0; part < SHORTFALL_PARTS; part++) {
        if (shortfall->part_bps[part] <= 0)
            continue;
        draw_part(page, chart, shortfall, part, from, y, number);
        from += shortfall->part_bps[part];
        number += shortfall->part_bps[part]
                  >= named_share
                         * (shortfall->expected_bps - shortfall->measured_bps);
    }
}

static void draw_shortfalls(cairo_t *page, const void *chart_)
{
    const struct shortfall_chart *chart = chart_;
    double y = rows_top - 10;

    chart_title(page, chart->title);
    for (size_t i = 0; i < chart->count; i++) {
        draw_bar(page, chart, chart->shortfalls[i], y);
        y += row_height(chart->shortfalls[i]);
    }
}

/* Is it the same part everywhere that dominates? */
static bool one_cause(const struct shortfall_chart *chart)
{
    for (size_t i = 1; i < chart->count; i++) {
        if (chart->shortfalls[i]->dominant != chart->shortfalls[0]->dominant)
            return false;
    }
    return true;
}

int chart_shortfalls(struct chart_writer *writer, struct fault *fault)
{
    const struct reduction *reduction = writer->reduction;
    struct shortfall_chart chart = { .reduction = reduction };
    struct chart_file file = { .name = "charts/shortfall",
                               .place = CHART_SHORTFALL };

    for (size_t i = 0;
         i < reduction->shortfalls.count && chart.count < BARS_MOST; i++) {
        const struct shortfall *shortfall = rows_at(&reduction->shortfalls, i);

        if (!(shortfall->expected_bps > shortfall->measured_bps))
            continue;
        chart.shortfalls[chart.count++] = shortfall;
        chart.most_bps = chart_larger(chart.most_bps, shortfall->expected_bps);
    }
    if (!chart.count)
        return 0;
    (void) snprintf(
        chart.title, sizeof(chart.title), "Where the expected goodput went%s%s",
        one_cause(&chart) ? ": " : "",
        one_cause(&chart) ? shortfall_part_words[chart.shortfalls[0]->dominant]
                          : "");
    (void) snprintf(file.title, sizeof(file.title), "%s", chart.title);
    return chart_write(writer, &file, chart_height(&chart), draw_shortfalls,
                       &chart, fault);
}
