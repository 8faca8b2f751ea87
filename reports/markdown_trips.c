/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_trips.h"

#include "reports/markdown_cells.h"

#include <inttypes.h>

static const double ms = 1e-3; /* times in ms */
static const double cent = 0.01;

/* A column of times; one that no row has anything for is left out. */
struct time_column {
    const char *measure, *heading;
};

static const struct time_column of_all[] = {
    { "rtt_least", "least" }, { "rtt_p50", "p50" }, { "rtt_p90", "p90" },
    { "rtt_p95", "p95" },     { "rtt_p99", "p99" },
};
static const struct time_column of_answered[] = {
    { "rtt_answered_p50", "p50" },
    { "rtt_answered_p90", "p90" },
    { "rtt_answered_p95", "p95" },
    { "rtt_answered_p99", "p99" },
};

struct trip_table {
    const struct reduction *reduction;
    const struct rows *losses; /* of struct finding */
    const struct time_column *columns;
    size_t column_count;
    bool is_shown[COUNT_OF(of_all)];
};

static void choose_columns(struct trip_table *table)
{
    for (size_t i = 0; i < table->column_count; i++) {
        for (size_t j = 0; j < table->losses->count && !table->is_shown[i];
             j++) {
            const struct finding *finding =
                markdown_like(table->reduction, rows_at(table->losses, j),
                              table->columns[i].measure);

            table->is_shown[i] = finding && !isnan(finding->value);
        }
    }
}

static void write_headings(const struct trip_table *table, const char *before,
                           const char *rule_before, FILE *out)
{
    (void) fputs(before, out);
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            (void) fprintf(out, " %s |", table->columns[i].heading);
    }
    (void) fprintf(out, "\n%s", rule_before);
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            (void) fputs("---:|", out);
    }
    (void) fputc('\n', out);
}

static void write_times(const struct trip_table *table,
                        const struct finding *loss, FILE *out)
{
    for (size_t i = 0; i < table->column_count; i++) {
        if (table->is_shown[i])
            markdown_cell_figure(markdown_like(table->reduction, loss,
                                               table->columns[i].measure),
                                 ms, 1, out);
    }
    (void) fputs(" |\n", out);
}

/* --- of all sent ---------------------------------------------------------- */

static bool is_any_expected(const struct trip_table *table)
{
    for (size_t i = 0; i < table->losses->count; i++) {
        const struct finding *median = markdown_like(
            table->reduction, rows_at(table->losses, i), "rtt_p50");

        if (median && !isnan(median->expected_low))
            return true;
    }
    return false;
}

static void write_row(const struct trip_table *table,
                      const struct finding *loss, bool has_expected, FILE *out)
{
    const struct finding *median =
        markdown_like(table->reduction, loss, "rtt_p50");
    char expected[FIGURE_SIZE] = "–";

    markdown_cell_names(table->reduction, loss, out);
    (void) fprintf(out, " | %" PRIu64, loss->samples_count);
    markdown_cell_figure(loss, cent, 2, out);
    if (median)
        wording_expected(median, ms, expected);
    if (has_expected)
        (void) fprintf(out, " | %s", expected);
    write_times(table, loss, out);
}

static void write_all(const struct reduction *reduction,
                      const struct rows *losses, FILE *out)
{
    struct trip_table table = { .reduction = reduction,
                                .losses = losses,
                                .columns = of_all,
                                .column_count = COUNT_OF(of_all) };
    const bool has_expected = is_any_expected(&table);

    choose_columns(&table);
    write_headings(
        &table,
        has_expected ? "| step | direction | probes | loss | expected "
                       "median |"
                     : "| step | direction | probes | loss |",
        has_expected ? "|---|---|---:|---:|---:|" : "|---|---|---:|---:|", out);
    for (size_t i = 0; i < losses->count; i++)
        write_row(&table, rows_at(losses, i), has_expected, out);
    (void) fputc('\n', out);
}

/* --- of the answered ------------------------------------------------------ */

/* Where probes were lost: what those that were answered took. */
static void write_answered(const struct reduction *reduction,
                           const struct rows *losses, FILE *out)
{
    struct rows lossy = { .row_size = sizeof(struct finding) };
    struct trip_table table = { .reduction = reduction,
                                .losses = &lossy,
                                .columns = of_answered,
                                .column_count = COUNT_OF(of_answered) };
    bool has_any = false;

    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *loss = rows_at(losses, i);

        if (loss->value > 0 && loss->value < 1)
            *(struct finding *) rows_add(&lossy) = *loss;
    }
    choose_columns(&table);
    for (size_t i = 0; i < table.column_count; i++)
        has_any = has_any || table.is_shown[i];
    if (has_any) {
        (void) fputs("Of the answered ones alone:\n\n", out);
        write_headings(&table, "| step | direction |", "|---|---|", out);
        for (size_t i = 0; i < lossy.count; i++) {
            markdown_cell_names(reduction, rows_at(&lossy, i), out);
            write_times(&table, rows_at(&lossy, i), out);
        }
        (void) fputc('\n', out);
    }
    rows_clear(&lossy);
}

/* --- what is missing ------------------------------------------------------ */

static void write_whys(const struct rows *losses, FILE *out)
{
    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *finding = rows_at(losses, i);

        if (!isnan(finding->value))
            continue;
        (void) fputs("- ", out);
        wording_escape(out, finding->from);
        (void) fputs(" → ", out);
        wording_escape(out, finding->to);
        (void) fputs(" on ", out);
        wording_escape(out, finding->step);
        (void) fputs(": ", out);
        wording_escape(out, finding->why);
        (void) fputs(".\n", out);
    }
    if (wording_counts(losses).missing > 0)
        (void) fputc('\n', out);
}

void markdown_trips(const struct reduction *reduction, FILE *out)
{
    struct rows losses = wording_table(reduction, "loss");

    if (losses.count) {
        (void) fputs(
            "## Round trips and loss\n\n"
            "Times in ms, loss in %. Within p50 half of all probes that were "
            "sent are answered, within p90 nine in ten; one without an answer "
            "in the waiting time is lost, and counts as infinite (∞), even if "
            "the answer comes later.\n\n",
            out);
        write_all(reduction, &losses, out);
        write_answered(reduction, &losses, out);
        write_whys(&losses, out);
    }
    rows_clear(&losses);
}
