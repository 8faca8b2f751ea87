/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_timing.h"

#include "reports/markdown_cells.h"
#include "reports/timing_says.h"

#include <inttypes.h>

static const double ms = 1e-3; /* times in ms */

/* A column of figures; one that no row has anything for is left out. */
struct figure_column {
    const char *measure, *heading;
    double unit;
    int most_decimals;
};

static const struct figure_column of_shares[] = {
    { "one_way_loss", "lost", 0.01, 2 },
    { "one_way_reordered", "overtaken", 0.01, 2 },
    { "one_way_duplicated", "twice", 0.01, 2 },
    { "delay_variation_p50", "late p50", 1e-3, 1 },
    { "delay_variation_p90", "late p90", 1e-3, 1 },
    { "delay_variation_p95", "late p95", 1e-3, 1 },
    { "delay_variation_p99", "late p99", 1e-3, 1 },
};
static const struct figure_column of_delays[] = {
    { "one_way_least", "quickest one way", 1e-3, 1 },
    { "one_way_p50", "one way p50", 1e-3, 1 },
    { "one_way_p90", "one way p90", 1e-3, 1 },
    { "one_way_p95", "one way p95", 1e-3, 1 },
    { "one_way_p99", "one way p99", 1e-3, 1 },
};
static const struct figure_column of_trips[] = {
    { "rtt_stamped_loss", "not back", 0.01, 2 },
    { "rtt_stamped_least", "quickest both ways", 1e-3, 1 },
    { "rtt_stamped_p50", "both ways p50", 1e-3, 1 },
    { "rtt_stamped_p90", "both ways p90", 1e-3, 1 },
    { "rtt_stamped_p95", "both ways p95", 1e-3, 1 },
    { "rtt_stamped_p99", "both ways p99", 1e-3, 1 },
};
#define COLUMNS_MOST COUNT_OF(of_shares)

struct figure_table {
    const struct reduction *reduction;
    const struct rows *rows; /* of struct finding: what each row is about */
    const struct figure_column *columns;
    size_t column_count;
    const char *counted;  /* heading of the number of samples; NULL: none */
    const char *expected; /* heading of what was expected; NULL: none */
    const char *expected_measure;
    bool is_shown[COLUMNS_MOST], has_expected;
};

/* --- a table -------------------------------------------------------------- */

static const struct finding *figure_of(const struct figure_table *table,
                                       size_t row, const char *measure)
{
    return wording_beside(table->reduction, table->rows, row, measure);
}

/* False: it would be empty. */
static bool choose_columns(struct figure_table *table)
{
    bool is_any = false;

    for (size_t row = 0; row < table->rows->count; row++) {
        const struct finding *expected =
            table->expected ? figure_of(table, row, table->expected_measure)
                            : NULL;

        table->has_expected =
            table->has_expected || (expected && !isnan(expected->expected_low));
        for (size_t i = 0; i < table->column_count; i++) {
            const struct finding *finding =
                figure_of(table, row, table->columns[i].measure);
            const bool is_told = finding && !isnan(finding->value);

            table->is_shown[i] = table->is_shown[i] || is_told;
            is_any = is_any || is_told;
        }
    }
    return is_any;
}

static void write_headings(const struct figure_table *table, FILE *out)
{
    (void) fputs("| step | direction |", out);
    if (table->counted)
        (void) fprintf(out, " %s |", table->counted);
    if (table->has_expected)
        (void) fprintf(out, " %s |", table->expected);
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            (void) fprintf(out, " %s |", table->columns[i].heading);
    }
    (void) fprintf(out, "\n|---|---|%s%s", table->counted ? "---:|" : "",
                   table->has_expected ? "---:|" : "");
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            (void) fputs("---:|", out);
    }
    (void) fputc('\n', out);
}

static void write_row(const struct figure_table *table, size_t row,
                      bool is_reply, FILE *out)
{
    const struct finding *about = rows_at(table->rows, row);
    const struct finding *expected =
        table->has_expected ? figure_of(table, row, table->expected_measure)
                            : NULL;
    char text[FIGURE_SIZE] = "–";

    markdown_cell_names(table->reduction, about, out);
    if (is_reply)
        (void) fputs(" (replies)", out);
    if (table->counted)
        (void) fprintf(out, " | %" PRIu64, about->samples_count);
    if (expected)
        wording_expected(expected, ms, text);
    if (table->has_expected)
        (void) fprintf(out, " | %s", text);
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            markdown_cell_figure(
                figure_of(table, row, table->columns[i].measure),
                table->columns[i].unit, table->columns[i].most_decimals, out);
    }
    (void) fputs(" |\n", out);
}

/* before: a paragraph that explains it. */
static void write_table(struct figure_table *table, const char *before,
                        FILE *out)
{
    bool is_reply = false;

    if (!choose_columns(table))
        return;
    (void) fprintf(out, "%s\n\n", before);
    write_headings(table, out);
    for (size_t i = 0; i < table->rows->count; i++) {
        is_reply = i > 0 && !is_reply
                   && timing_is_other_way(rows_at(table->rows, i - 1),
                                          rows_at(table->rows, i));
        write_row(table, i, is_reply, out);
    }
    (void) fputc('\n', out);
}

/* --- the tables ----------------------------------------------------------- */

static void write_shares(const struct reduction *reduction,
                         const struct rows *ways, FILE *out)
{
    write_table(
        &(struct figure_table){ .reduction = reduction,
                                .rows = ways,
                                .columns = of_shares,
                                .column_count = COUNT_OF(of_shares),
                                .counted = "packets" },
        "Shares in %, times in ms. Late is how much longer than the quickest "
        "packet of its way one took (delay variation): half of those that "
        "arrived were no later than p50, nine in ten no later than p90.",
        out);
}

static void write_delays(const struct reduction *reduction,
                         const struct rows *ways, FILE *out)
{
    write_table(
        &(struct figure_table){ .reduction = reduction,
                                .rows = ways,
                                .columns = of_delays,
                                .column_count = COUNT_OF(of_delays),
                                .expected = "expected quickest",
                                .expected_measure = "one_way_least" },
        "The whole delay of one way, in ms, of all that was sent (∞: lost). "
        "Two computers' clocks are never quite alike: the range of the "
        "quickest is what they leave open, and every figure of the row has it "
        "in its own. Both ways together are known much better than each.",
        out);
}

static void write_trips(const struct reduction *reduction, FILE *out)
{
    struct rows trips = wording_table(reduction, "rtt_stamped_loss");

    write_table(
        &(struct figure_table){ .reduction = reduction,
                                .rows = &trips,
                                .columns = of_trips,
                                .column_count = COUNT_OF(of_trips),
                                .counted = "stamped probes",
                                .expected = "expected both ways",
                                .expected_measure = "rtt_stamped_p50" },
        "There and back, in ms, without the time at the far end, of all "
        "probes (∞: no answer in the waiting time); expected is the median:",
        out);
    rows_clear(&trips);
}

/* --- the section ---------------------------------------------------------- */

void markdown_timing(const struct reduction *reduction, FILE *out)
{
    struct rows ways = wording_table(reduction, "one_way_loss");

    if (ways.count) {
        (void) fputs("## Each way by itself\n\n", out);
        timing_say(reduction, &ways, out);
        write_shares(reduction, &ways, out);
        write_delays(reduction, &ways, out);
        write_trips(reduction, out);
    }
    rows_clear(&ways);
}
