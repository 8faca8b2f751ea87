/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_goodput.h"

#include "reports/comparison.h"
#include "reports/markdown_cells.h"

#include <inttypes.h>

static const double k = 1e3; /* rates in kbit/s */

/* --- goodput -------------------------------------------------------------- */

static bool has_remarks(const struct rows *table)
{
    for (size_t i = 0; i < table->count; i++) {
        if (((const struct finding *) rows_at(table, i))->why[0])
            return true;
    }
    return false;
}

static void write_goodput_row(const struct reduction *reduction,
                              const struct finding *finding, bool has_remark,
                              FILE *out)
{
    const struct finding *whole =
        markdown_like(reduction, finding, "goodput_whole");
    char expected[FIGURE_SIZE] = "–";
    char measured[FIGURE_SIZE];
    char share[FIGURE_SIZE] = "–";
    char whole_figure[FIGURE_SIZE] = "–";

    wording_figure(finding, k, 2, measured);
    /* What is expected is for one alone. */
    if (wording_is_alone(finding->condition)) {
        wording_expected(finding, k, expected);
        wording_share(finding, share);
    }
    if (whole)
        wording_figure(whole, k, 2, whole_figure);
    markdown_cell_names(reduction, finding, out);
    (void) fprintf(out, " | %s | %s | %s | %s | %s", expected, measured, share,
                   finding->verdict ? verdicts[finding->verdict] : "–",
                   whole_figure);
    if (has_remark) {
        (void) fputs(" | ", out);
        wording_escape(out, finding->why);
    }
    (void) fputs(" |\n", out);
}

void markdown_goodput(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "goodput_steady");

    const bool has_remark = has_remarks(&table);

    if (table.count)
        (void) fprintf(
            out,
            "Goodput in kbit/s. The interval is a 95 %% one, from within this "
            "run.\n\n"
            "| step | direction | expected | measured, steady | of expected | "
            "verdict | whole transfer |%s\n"
            "|---|---|---:|---:|---:|---|---:|%s\n",
            has_remark ? " remark |" : "", has_remark ? "---|" : "");
    for (size_t i = 0; i < table.count; i++)
        write_goodput_row(reduction, rows_at(&table, i), has_remark, out);
    if (table.count)
        (void) fprintf(out,
                       "\n*meets*: the whole interval lies above %.0f %% of "
                       "the low end of what was expected; *short*: below it; "
                       "*undecided*: on both sides of it; "
                       "*exceeds*: above the high end, a sign that something "
                       "is not as stated.\n\n",
                       100 * plan_meets_ratio(reduction->plan));
    rows_clear(&table);
}

/* --- gain ----------------------------------------------------------------- */

static void write_price(const struct plan_step *above,
                        const struct plan_step *below, FILE *out)
{
    const double bandwidths =
        capacity_bandwidth_hz(above) / capacity_bandwidth_hz(below);
    const double loss_db = above->sensitivity_dbm - below->sensitivity_dbm;

    if (isfinite(bandwidths)) {
        char number[FIGURE_SIZE];

        wording_significant(bandwidths, 2, number);
        (void) fprintf(out, ", for %s times the bandwidth", number);
    }
    if (isfinite(loss_db))
        (void) fprintf(out, "%s %.0f dB %s margin",
                       isfinite(bandwidths) ? " and" : ", for", fabs(loss_db),
                       loss_db < 0 ? "more" : "less");
}

/* What the steps' parameters promise: middle against middle. */
static double promise_of(const struct reduction *reduction, size_t above)
{
    return range_middle(reduction->expectations[above].goodput_bps)
           / range_middle(reduction->expectations[above - 1].goodput_bps);
}

/* Over rounds it is a claim; else what differed while it was measured. */
static void write_ratio(const struct finding *gain, FILE *out)
{
    const int decimals = wording_decimals((gain->high - gain->low) / 2, 3);

    (void) fprintf(out, "%.*f times the goodput (between %.*f and %.*f, ",
                   decimals, gain->value, decimals, gain->low, decimals,
                   gain->high);
    if (gain->verdict == VERDICT_NONE)
        (void) fputs("during this run)", out);
    else
        (void) fprintf(out, "over %" PRIu64 " rounds)", gain->samples_count);
}

static void write_claim(const struct finding *gain, FILE *out)
{
    static const char *const claims[] = {
        [VERDICT_NONE] = "",
        [VERDICT_MEETS] = ". It keeps its promise",
        [VERDICT_SHORT] = ". That is less than promised",
        [VERDICT_EXCEEDS] = (". That is more than promised, so something is "
                             "not as stated"),
        [VERDICT_UNDECIDED] = ". Whether it keeps its promise is not decided",
    };

    (void) fputs(claims[gain->verdict], out);
}

static void write_gain_sentence(const struct reduction *reduction,
                                const struct finding *finding, FILE *out)
{
    const struct plan *plan = reduction->plan;
    const size_t index = plan_find_step(plan, finding->step);

    if (index == plan->step_count || index == 0 || isnan(finding->value))
        return;
    (void) fputs("- From *", out);
    wording_escape(out, plan->steps[index - 1].name);
    (void) fputs("* to *", out);
    wording_escape(out, finding->step);
    (void) fputs("*, ", out);
    wording_escape(out, finding->from);
    (void) fputs(" → ", out);
    wording_escape(out, finding->to);
    (void) fputs(": ", out);
    write_ratio(finding, out);
    if (isfinite(promise_of(reduction, index)))
        (void) fprintf(out, "; the promise is %.2f times",
                       promise_of(reduction, index));
    write_price(&plan->steps[index], &plan->steps[index - 1], out);
    write_claim(finding, out);
    (void) fputs(".\n", out);
}

void markdown_gain(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "gain");
    bool has_gain = false, has_unclaimed = false;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *gain = rows_at(&table, i);

        has_gain = has_gain || !isnan(gain->value);
        has_unclaimed =
            has_unclaimed
            || (!isnan(gain->value) && gain->verdict == VERDICT_NONE);
    }
    if (has_gain)
        (void) fputs("**What the faster step buys:**\n\n", out);
    for (size_t i = 0; i < table.count; i++)
        write_gain_sentence(reduction, rows_at(&table, i), out);
    if (has_unclaimed)
        (void) fprintf(out,
                       "\nWith a steady goodput from fewer than %d rounds of "
                       "both steps a difference is not shown to be due to the "
                       "change of step.\n",
                       ROUNDS_FOR_A_CLAIM);
    if (has_gain)
        (void) fputc('\n', out);
    rows_clear(&table);
}
