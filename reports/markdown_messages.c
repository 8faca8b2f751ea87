/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_messages.h"

#include "reports/wording.h"

#include <inttypes.h>

static const struct {
    const char *measure, *share; /* "half of the messages" */
} percentiles[] = {
    { "confirmed_p50", "half" },
    { "confirmed_p90", "nine in ten" },
    { "confirmed_p95", "19 in 20" },
};

static bool is_beside_others(const struct finding *finding)
{
    return finding->condition[0] && strcmp(finding->condition, "idle") != 0;
}

static void write_row(const struct reduction *reduction,
                      const struct rows *table, size_t row, FILE *out)
{
    const struct finding *unconfirmed = rows_at(table, row);
    char figure[FIGURE_SIZE];

    (void) fputs("| ", out);
    wording_escape(out, unconfirmed->step);
    (void) fputs(" | ", out);
    wording_escape(out, unconfirmed->from);
    (void) fputs(" → ", out);
    wording_escape(out, unconfirmed->to);
    (void) fputs(" | ", out);
    wording_escape(out, unconfirmed->condition);
    wording_figure(unconfirmed, 0.01, 2, figure);
    (void) fprintf(out, " | %" PRIu64 " | %s", unconfirmed->samples_count,
                   figure);
    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        const struct finding *finding =
            wording_beside(reduction, table, row, percentiles[i].measure);

        (void) snprintf(figure, sizeof(figure), "–");
        if (finding)
            wording_figure(finding, 1, 3, figure);
        (void) fprintf(out, " | %s", figure);
    }
    (void) fputs(" |\n", out);
}

/* "half within 0.31 s, nine in ten within 0.62 s" */
static void write_within(const struct reduction *reduction,
                         const struct rows *table, size_t row, FILE *out)
{
    bool is_first = true;

    for (size_t i = 0; i < COUNT_OF(percentiles); i++) {
        const struct finding *finding =
            wording_beside(reduction, table, row, percentiles[i].measure);

        if (!finding || !isfinite(finding->value))
            continue;
        (void) fprintf(out, "%s%s", is_first ? "" : ", ", percentiles[i].share);
        if (is_first)
            (void) fputs(" of the messages were confirmed", out);
        (void) fprintf(out, " within %.2g s", finding->value);
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
    if (is_beside_others(unconfirmed)) {
        (void) fputs(", while ", out);
        wording_escape(out, unconfirmed->condition);
        (void) fputs(" ran", out);
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

void markdown_messages(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "unconfirmed");

    if (table.count) {
        (void) fputs(
            "## Messages\n\n"
            "Times in s until a message's confirmation came back, unconfirmed "
            "in %; percentiles of all sent, so that an unconfirmed message "
            "counts as infinite (∞).\n\n"
            "| step | direction | beside | messages | unconfirmed | p50 | p90 "
            "| p95 |\n"
            "|---|---|---|---:|---:|---:|---:|---:|\n",
            out);
        for (size_t i = 0; i < table.count; i++)
            write_row(reduction, &table, i, out);
        (void) fputc('\n', out);
        for (size_t i = 0; i < table.count; i++)
            write_sentence(reduction, &table, i, out);
        (void) fputc('\n', out);
    }
    rows_clear(&table);
}
