/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_tcp.h"

#include "reports/wording.h"

#include <inttypes.h>

static double value_of(const struct reduction *reduction, const char *exchange,
                       const char *measure)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, measure) == 0
            && strcmp(finding->exchange, exchange) == 0)
            return finding->value;
    }
    return (double) NAN;
}

static void write_share(FILE *out, double share, int decimals)
{
    if (isnan(share))
        (void) fputs(" | –", out);
    else
        (void) fprintf(out, " | %.*f", decimals, 100 * share);
}

static void write_row(const struct reduction *reduction,
                      const struct finding *efficiency, FILE *out)
{
    (void) fputs("| ", out);
    wording_escape(out, efficiency->step);
    (void) fputs(" | ", out);
    wording_escape(out, efficiency->from);
    (void) fputs(" → ", out);
    wording_escape(out, efficiency->to);
    (void) fprintf(out, " | %" PRIu64, efficiency->round);
    write_share(out, efficiency->value, 2);
    write_share(out, value_of(reduction, efficiency->exchange, "buffer_delay"),
                0);
    (void) fputs(" |\n", out);
}

static bool is_any_told(const struct rows *table)
{
    for (size_t i = 0; i < table->count; i++) {
        if (!isnan(((const struct finding *) rows_at(table, i))->value))
            return true;
    }
    return false;
}

void markdown_tcp(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "tcp_efficiency");

    if (is_any_told(&table)) {
        (void) fputs("TCP in these downloads, by its own account: the share of "
                     "the bytes sent that were no repeats, and by how much the "
                     "round trip grew over its least while data waited in the "
                     "queues (RFC 6349: TCP efficiency and buffer delay).\n\n"
                     "| step | direction | round | efficiency, % | buffer "
                     "delay, % |\n"
                     "|---|---|---:|---:|---:|\n",
                     out);
        for (size_t i = 0; i < table.count; i++)
            write_row(reduction, rows_at(&table, i), out);
        (void) fputs("\n", out);
    }
    rows_clear(&table);
}
