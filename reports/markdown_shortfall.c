/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_shortfall.h"

#include "reports/shortfall.h"
#include "reports/wording.h"

static const double k = 1e3; /* kbit/s */
/* A part below this share of what is missing is left to results.json. */
static const double least_share = 0.005;
/* Beyond, a report would be a catalogue; all of them are in results.json. */
#define SHORTFALLS_MOST 8

static void write_what(const struct exchange_record *exchange, FILE *out)
{
    (void) fputs("**On *", out);
    wording_escape(out, exchange->step);
    (void) fputs("*, ", out);
    wording_escape(out, exchange->from);
    (void) fputs(" → ", out);
    wording_escape(out, exchange->to);
    (void) fprintf(out, " (round %llu):** ",
                   (unsigned long long) exchange->round);
}

static void write_parts(const struct shortfall *shortfall, FILE *out)
{
    const double missing_bps =
        shortfall->expected_bps - shortfall->measured_bps;
    const int decimals = wording_decimals(fabs(missing_bps) / k / 50, 2);

    (void) fputs("| part | kbit/s | of what is missing |\n|---|---:|---:|\n",
                 out);
    for (int part = 0; part < SHORTFALL_PARTS; part++) {
        const double bps = shortfall->part_bps[part];

        if (fabs(bps) < least_share * fabs(missing_bps))
            continue;
        (void) fprintf(
            out, "| %s%s%s | %.*f | %.0f %% |\n", shortfall_part_words[part],
            part == shortfall->dominant && shortfall->or_else >= 0 ? ", or "
                                                                   : "",
            part == shortfall->dominant && shortfall->or_else >= 0
                ? shortfall_part_words[shortfall->or_else]
                : "",
            decimals, bps / k, 100 * bps / missing_bps);
    }
    (void) fputc('\n', out);
}

static void write_one(const struct reduction *reduction,
                      const struct shortfall *shortfall, FILE *out)
{
    write_what(reduction_exchange(reduction, shortfall->exchange), out);
    wording_escape(out, shortfall->sentence);
    if (shortfall->advice[0]) {
        (void) fputs(" *", out);
        wording_escape(out, shortfall->advice);
        (void) fputc('*', out);
    }
    (void) fputs("\n\n", out);
    if (shortfall->expected_bps > shortfall->measured_bps)
        write_parts(shortfall, out);
}

/* Those that fell short, or those that carried more than they should. */
static void write_those(const struct reduction *reduction, bool is_short,
                        const char *heading, FILE *out)
{
    size_t count = 0;

    for (size_t i = 0; i < reduction->shortfalls.count; i++) {
        const struct shortfall *shortfall = rows_at(&reduction->shortfalls, i);

        if ((shortfall->expected_bps > shortfall->measured_bps) != is_short)
            continue;
        if (count++ == 0)
            (void) fprintf(out, "## %s\n\n", heading);
        if (count <= SHORTFALLS_MOST)
            write_one(reduction, shortfall, out);
    }
    if (count > SHORTFALLS_MOST)
        (void) fprintf(out,
                       "%zu more downloads were taken apart; their parts are "
                       "in results.json (measures shortfall\\_…).\n\n",
                       count - SHORTFALLS_MOST);
}

void markdown_shortfall(const struct reduction *reduction, FILE *out)
{
    write_those(reduction, true, "Why it falls short", out);
    write_those(reduction, false, "More than it should carry", out);
}
