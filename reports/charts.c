/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart.h"

int chart_write(struct chart_writer *writer, const struct chart_file *file,
                double height, drawing_fn *draw, const void *chart,
                struct fault *fault)
{
    char path[4160];

    (void) snprintf(path, sizeof(path), "%s/%s", writer->folder, file->name);
    *(struct chart_file *) rows_add(writer->files) = *file;
    return drawing_write(path, CHART_WIDTH, height, draw, chart, fault);
}

void chart_title(cairo_t *page, const char *title)
{
    drawing_ink(page, INK_TEXT);
    drawing_text_within(page, CHART_MARGIN, 30, CHART_TITLE_SIZE, true,
                        ANCHOR_LEFT, CHART_WIDTH - 2 * CHART_MARGIN, title);
}

void chart_band_key(cairo_t *page, double x, const char *what)
{
    drawing_ink(page, INK_BAND);
    drawing_rectangle(page, x, 46, x + 26, 60);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, x + 33, 58, CHART_SMALL_SIZE, false, ANCHOR_LEFT, what);
}

double chart_larger(double a, double b)
{
    return b > a ? b : a; /* a NaN b loses */
}

double chart_curve_most(const struct curve *curve, bool is_x)
{
    double most = 0;

    for (size_t i = 0; i < curve->points.count; i++) {
        const struct point *point = rows_at(&curve->points, i);

        most = chart_larger(most, is_x ? point->x : point->y);
    }
    return most;
}

/* Whose packets a curve shows. */
static const char *sender_of(const struct reduction *reduction,
                             const struct curve *curve, bool is_receiver)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, curve->exchange);

    return curve->is_from_second == is_receiver ? exchange->from : exchange->to;
}

static bool is_alike(const struct reduction *reduction, const struct curve *a,
                     const struct curve *b)
{
    const struct exchange_record *of_a =
        reduction_exchange(reduction, a->exchange);
    const struct exchange_record *of_b =
        reduction_exchange(reduction, b->exchange);

    return a->form == b->form && a->is_all_rounds == b->is_all_rounds
           && of_a->kind == of_b->kind && strcmp(of_a->step, of_b->step) == 0
           && strcmp(of_a->condition, of_b->condition) == 0
           && strcmp(sender_of(reduction, a, false),
                     sender_of(reduction, b, false))
                  == 0
           && strcmp(sender_of(reduction, a, true),
                     sender_of(reduction, b, true))
                  == 0;
}

/* Over all rounds the replies of one timing and the probes of another may have
 * the same names: so many such curves stand before this one. */
static size_t number_among_alike(const struct reduction *reduction,
                                 const struct curve *curve)
{
    size_t number = 0;

    for (size_t i = 0; curve->is_all_rounds && i < reduction->curves.count;
         i++) {
        const struct curve *other = rows_at(&reduction->curves, i);

        if (other == curve)
            return number;
        number += is_alike(reduction, other, curve);
    }
    return 0;
}

const struct finding *chart_finding(const struct reduction *reduction,
                                    const struct curve *curve,
                                    const char *measure)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, curve->exchange);
    const char *id = curve->is_all_rounds ? "" : exchange->id;
    size_t number = number_among_alike(reduction, curve);

    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, measure) == 0
            && strcmp(finding->exchange, id) == 0
            && strcmp(finding->from, sender_of(reduction, curve, false)) == 0
            && strcmp(finding->to, sender_of(reduction, curve, true)) == 0
            && strcmp(finding->step, exchange->step) == 0
            && strcmp(finding->condition, exchange->condition) == 0
            && number-- == 0)
            return finding;
    }
    return NULL;
}

int charts_write(const struct reduction *reduction, const char *folder,
                 struct rows *files, struct fault *fault)
{
    struct chart_writer writer = { reduction, folder, files };
    int code = chart_steps(&writer, fault);

    if (!code)
        code = chart_times(&writer, fault);
    if (!code)
        code = chart_delays(&writer, fault);
    if (!code)
        code = chart_answers(&writer, fault);
    if (!code)
        code = chart_shortfalls(&writer, fault);
    if (!code)
        code = chart_shares(&writer, fault);
    return code;
}
