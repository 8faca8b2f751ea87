/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_together.h"

#include "reports/markdown_cells.h"

#include <inttypes.h>

static const double k = 1e3;     /* kbit/s */
static const double ms = 1e-3;   /* times in ms */
static const double cent = 0.01; /* per cent */

/* --- latency -------------------------------------------------------------- */

static const struct loaded {
    const char *measure, *ratio, *what;
} loaded[] = {
    { "rtt_under_load_p50", "rtt_load_ratio", "round trip" },
    { "confirmed_under_load_p50", "confirmed_load_ratio", "confirmation" },
};

/* Pings beside pings are among the round trips, and load nothing. */
static size_t count_loaded(const struct rows *table)
{
    size_t count = 0;

    for (size_t i = 0; i < table->count; i++)
        count += wording_is_loaded(
            ((const struct finding *) rows_at(table, i))->condition);
    return count;
}

static void write_latency_rows(const struct reduction *reduction,
                               const struct loaded *kind, bool *has_head,
                               FILE *out)
{
    struct rows table = wording_table(reduction, kind->measure);

    const size_t loaded_count = count_loaded(&table);

    if (loaded_count && !*has_head)
        (void) fputs("Half of all probes and messages came back within this "
                     "time while the others ran (∞: fewer than half did), and "
                     "how many times the idle figure that is.\n\n"
                     "| step | direction | what | beside | p50, ms | times "
                     "idle |\n|---|---|---|---|---:|---:|\n",
                     out);
    *has_head = *has_head || loaded_count;
    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (!wording_is_loaded(finding->condition))
            continue;
        markdown_cell_way(finding, out);
        (void) fprintf(out, " | %s", kind->what);
        markdown_cell_condition(finding->condition, out);
        markdown_cell_figure(finding, ms, 1, out);
        markdown_cell_figure(wording_beside(reduction, &table, i, kind->ratio),
                             1, 1, out);
        (void) fputs(" |\n", out);
    }
    rows_clear(&table);
}

static void write_latency(const struct reduction *reduction, FILE *out)
{
    bool has_head = false;

    for (size_t i = 0; i < COUNT_OF(loaded); i++)
        write_latency_rows(reduction, &loaded[i], &has_head, out);
    if (has_head)
        (void) fputc('\n', out);
}

/* --- the total ------------------------------------------------------------ */

/* What ran at once with the exchange that the total is named after. */
struct group {
    const struct exchange_record *first;
    size_t count;
    bool is_one_sender, is_one_receiver;
};

static struct group group_of(const struct reduction *reduction,
                             const struct finding *total)
{
    struct group group = { .is_one_sender = true, .is_one_receiver = true };

    for (size_t i = 0; i < reduction->exchanges.count && !group.first; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);

        if (record->plan_index == total->plan_index
            && record->round == total->round
            && strcmp(record->step, total->step) == 0)
            group.first = record;
    }
    for (size_t i = 0; i < reduction->exchanges.count && group.first; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);

        if (record->kind != group.first->kind
            || record->round != group.first->round
            || record->started_unix_ns != group.first->started_unix_ns)
            continue;
        group.count++;
        group.is_one_sender =
            group.is_one_sender && strcmp(record->from, group.first->from) == 0;
        group.is_one_receiver =
            group.is_one_receiver && strcmp(record->to, group.first->to) == 0;
    }
    return group;
}

/* "the 7 downloads to mill", "the download mill → quay" */
static void write_group(const struct reduction *reduction,
                        const struct finding *total, FILE *out)
{
    const struct group group = group_of(reduction, total);

    if (group.count == 1) {
        (void) fputs("the download ", out);
        wording_escape(out, group.first->from);
        (void) fputs(" → ", out);
        wording_escape(out, group.first->to);
    } else {
        (void) fprintf(out, "the %zu downloads at once", group.count);
        if (group.count && group.is_one_receiver) {
            (void) fputs(" to ", out);
            wording_escape(out, group.first->to);
        } else if (group.count && group.is_one_sender) {
            (void) fputs(" from ", out);
            wording_escape(out, group.first->from);
        }
    }
    if (reduction->plan->rounds > 1)
        (void) fprintf(out, " of round %" PRIu64, total->round);
}

static void write_totals(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "goodput_total");

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *total = rows_at(&table, i);
        const struct finding *fairness =
            wording_beside(reduction, &table, i, "fairness");
        char figure[FIGURE_SIZE], expected[FIGURE_SIZE];

        wording_figure(total, k, 2, figure);
        wording_expected(total, k, expected);
        (void) fputs("- On *", out);
        wording_escape(out, total->step);
        (void) fputs("* ", out);
        write_group(reduction, total, out);
        (void) fprintf(out, " carried %s kbit/s", figure);
        if (!isnan(total->expected_low))
            (void) fprintf(out, " of the %s that the channel should share out",
                           expected);
        if (total->verdict != VERDICT_NONE)
            (void) fprintf(out, " (*%s*)", verdicts[total->verdict]);
        if (fairness && !isnan(fairness->value))
            (void) fprintf(out,
                           "; Jain's index of fairness %.3f (at least %.3f; 1 "
                           "is an even share)",
                           fairness->value, fairness->low);
        (void) fputs(".\n", out);
    }
    if (table.count)
        (void) fputc('\n', out);
    rows_clear(&table);
}

/* The steady goodput, or where there is none that of the whole transfer. */
static const struct finding *goodput_of(const struct reduction *reduction,
                                        const struct rows *shares, size_t row)
{
    const struct finding *steady =
        wording_beside(reduction, shares, row, "goodput_steady");

    return steady && !isnan(steady->value)
               ? steady
               : wording_beside(reduction, shares, row, "goodput_whole");
}

/* --- shares --------------------------------------------------------------- */

static void write_shares(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "share_goodput");

    if (table.count)
        (void) fputs("What each got of all goodput, what it was entitled to "
                     "(max-min fair), and its share of the airtime, in "
                     "%:\n\n"
                     "| step | direction | entitled to | goodput | airtime "
                     "| kbit/s |\n|---|---|---:|---:|---:|---:|\n",
                     out);
    for (size_t i = 0; i < table.count; i++) {
        const struct finding *share = rows_at(&table, i);

        markdown_cell_way(share, out);
        if (isnan(share->expected_low))
            (void) fputs(" | –", out);
        else
            (void) fprintf(out, " | %.1f",
                           (share->expected_low + share->expected_high) / 2
                               / cent);
        markdown_cell_figure(share, cent, 1, out);
        markdown_cell_figure(
            wording_beside(reduction, &table, i, "share_airtime"), cent, 1,
            out);
        markdown_cell_figure(goodput_of(reduction, &table, i), k, 2, out);
        (void) fputs(" |\n", out);
    }
    if (table.count)
        (void) fputc('\n', out);
    rows_clear(&table);
}

static bool has_any(const struct reduction *reduction)
{
    static const struct {
        const char *measure;
        bool needs_load;
    } measures[] = { { "rtt_under_load_p50", true },
                     { "confirmed_under_load_p50", true },
                     { "goodput_total", false },
                     { "share_goodput", false } };
    bool has = false;

    for (size_t i = 0; i < COUNT_OF(measures) && !has; i++) {
        struct rows table = wording_table(reduction, measures[i].measure);

        has =
            measures[i].needs_load ? count_loaded(&table) > 0 : table.count > 0;
        rows_clear(&table);
    }
    return has;
}

void markdown_together(const struct reduction *reduction, FILE *out)
{
    if (!has_any(reduction))
        return;
    (void) fputs("## While others use the link\n\n", out);
    write_totals(reduction, out);
    write_shares(reduction, out);
    write_latency(reduction, out);
}
