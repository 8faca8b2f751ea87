/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_messages.h"

#include "reports/markdown_cells.h"

#include <inttypes.h>

static const struct {
    const char *measure, *share; /* "half of the messages" */
} percentiles[] = {
    { "confirmed_p50", "half" },
    { "confirmed_p90", "nine in ten" },
    { "confirmed_p95", "19 in 20" },
};

/* Which columns have anything to say. */
struct message_columns {
    bool has_beside, has_expected;
    bool has_percentile[COUNT_OF(percentiles)];
};

static struct message_columns columns_of(const struct reduction *reduction,
                                         const struct rows *table)
{
    struct message_columns columns = { .has_beside = false };

    for (size_t row = 0; row < table->count; row++) {
        const struct finding *unconfirmed = rows_at(table, row);

        columns.has_beside =
            columns.has_beside || !wording_is_alone(unconfirmed->condition);
        for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
            const struct finding *finding =
                wording_beside(reduction, table, row, percentiles[i].measure);

            if (!finding || isnan(finding->value))
                continue;
            columns.has_percentile[i] = true;
            columns.has_expected =
                columns.has_expected || !isnan(finding->expected_low);
        }
    }
    return columns;
}

static void write_headings(const struct message_columns *columns, FILE *out)
{
    static const char *const names[] = { "p50", "p90", "p95" };

    (void) fprintf(out, "| step | direction |%s messages | unconfirmed |%s",
                   columns->has_beside ? " beside |" : "",
                   columns->has_expected ? " expected median | verdict |" : "");
    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        if (columns->has_percentile[i])
            (void) fprintf(out, " %s |", names[i]);
    }
    (void) fprintf(out, "\n|---|---|%s---:|---:|%s",
                   columns->has_beside ? "---|" : "",
                   columns->has_expected ? "---:|---|" : "");
    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        if (columns->has_percentile[i])
            (void) fputs("---:|", out);
    }
    (void) fputc('\n', out);
}

static void write_expected(const struct finding *median, FILE *out)
{
    char expected[FIGURE_SIZE] = "–";

    if (median)
        wording_expected(median, 1, expected);
    (void) fprintf(out, " | %s | %s", expected,
                   median && median->verdict ? verdicts[median->verdict] : "–");
}

static void write_row(const struct reduction *reduction,
                      const struct rows *table,
                      const struct message_columns *columns, size_t row,
                      FILE *out)
{
    const struct finding *unconfirmed = rows_at(table, row);

    markdown_cell_way(unconfirmed, out);
    if (columns->has_beside)
        markdown_cell_condition(unconfirmed->condition, out);
    (void) fprintf(out, " | %" PRIu64, unconfirmed->samples_count);
    markdown_cell_figure(unconfirmed, 0.01, 2, out);
    if (columns->has_expected)
        write_expected(
            wording_beside(reduction, table, row, percentiles[0].measure), out);
    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        if (columns->has_percentile[i])
            markdown_cell_figure(
                wording_beside(reduction, table, row, percentiles[i].measure),
                1, 3, out);
    }
    (void) fputs(" |\n", out);
}

/* "half within 0.31 s, nine in ten within 0.62 s" */
static void write_within(const struct reduction *reduction,
                         const struct rows *table, size_t row, FILE *out)
{
    bool is_first = true;
    char number[FIGURE_SIZE];

    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        const struct finding *finding =
            wording_beside(reduction, table, row, percentiles[i].measure);

        if (!finding || !isfinite(finding->value))
            continue;
        (void) fprintf(out, "%s%s", is_first ? "" : ", ", percentiles[i].share);
        if (is_first)
            (void) fputs(" of the messages were confirmed", out);
        wording_significant(finding->value, 2, number);
        (void) fprintf(out, " within %s s", number);
        is_first = false;
    }
    if (is_first)
        (void) fputs("fewer than half of the messages were confirmed", out);
}

static void write_sentence(const struct reduction *reduction,
                           const struct rows *table, size_t row, FILE *out)
{
    const struct finding *unconfirmed = rows_at(table, row);

    (void) fputs("- From ", out);
    wording_escape(out, unconfirmed->from);
    (void) fputs(" to ", out);
    wording_escape(out, unconfirmed->to);
    (void) fputs(" on ", out);
    wording_escape(out, unconfirmed->step);
    if (!wording_is_alone(unconfirmed->condition)) {
        char beside[CONDITION_SIZE];

        wording_condition(unconfirmed->condition, beside, sizeof(beside));
        (void) fputs(", beside ", out);
        wording_escape(out, beside);
    }
    (void) fputs(": ", out);
    if (isnan(unconfirmed->value))
        wording_escape(out, unconfirmed->why);
    else if (unconfirmed->samples_count < 6)
        (void) fputs("too few messages for a percentile", out);
    else
        write_within(reduction, table, row, out);
    (void) fputs(".\n", out);
}

static bool is_same_spread(const struct spread *a, const struct spread *b)
{
    return a->form == b->form && a->mean == b->mean && a->low == b->low
           && a->high == b->high;
}

/* " Each had 20 to 200 characters, as the plan drew them." of the first
 * exchange of messages, where all ask for the same. */
static void write_sizes(const struct reduction *reduction, FILE *out)
{
    const struct spread *first = NULL;

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);
        const struct messages_spec *spec = (const void *) record->spec.bytes;

        if (strcmp(record->kind->name, messages_kind.name) != 0
            || !record->has_spec)
            continue;
        if (first && !is_same_spread(first, &spec->size_bytes))
            return;
        first = &spec->size_bytes;
    }
    if (!first)
        return;
    if (first->form == SPREAD_EXPONENTIAL)
        (void) fprintf(out, " Each had %.0f characters on average.",
                       first->mean);
    else if (first->low < first->high)
        (void) fprintf(out, " Each had %.0f to %.0f characters.", first->low,
                       first->high);
    else
        (void) fprintf(out, " Each had %.0f characters.", first->mean);
}

/* Less is better here, unlike in the goodput's table. */
static void write_verdicts(const struct reduction *reduction, FILE *out)
{
    (void) fprintf(out,
                   "*meets*: the whole interval of p50 lies below %.0f %% of "
                   "the high end of what was expected; *short*: above it, too "
                   "slow; *undecided*: on both sides of it; *exceeds*: quicker "
                   "than can be, a sign that something is not as stated.\n\n",
                   100 / plan_meets_ratio(reduction->plan));
}

void markdown_messages(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "unconfirmed");
    const struct message_columns columns = columns_of(reduction, &table);

    if (table.count) {
        (void) fputs(
            "## Messages\n\n"
            "Times in s until a message's confirmation came back, unconfirmed "
            "in %. Within p50 half of all messages that were sent are "
            "confirmed, within p90 nine in ten; one without a confirmation in "
            "the waiting time counts as infinite (∞).",
            out);
        write_sizes(reduction, out);
        (void) fputs("\n\n", out);
        write_headings(&columns, out);
        for (size_t i = 0; i < table.count; i++)
            write_row(reduction, &table, &columns, i, out);
        (void) fputc('\n', out);
        if (columns.has_expected)
            write_verdicts(reduction, out);
        for (size_t i = 0; i < table.count; i++)
            write_sentence(reduction, &table, i, out);
        (void) fputc('\n', out);
    }
    rows_clear(&table);
}
