/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown.h"

#include "reports/charts.h"
#include "reports/markdown_messages.h"
#include "reports/markdown_readings.h"
#include "reports/markdown_shortfall.h"
#include "reports/markdown_site.h"
#include "reports/markdown_tcp.h"
#include "reports/markdown_together.h"
#include "reports/markdown_uses.h"
#include "reports/reach.h"
#include "reports/wording.h"

#include <bothends/cautions.h>
#include <inttypes.h>

static const double k = 1e3;   /* rates in kbit/s */
static const double ms = 1e-3; /* times in ms */

/* The report, top to bottom. */
static void write_head(const struct reduction *reduction, FILE *out);
static void write_practice(const struct reduction *reduction, FILE *out);
static void write_goodput(const struct reduction *reduction, FILE *out);
static void write_gain(const struct reduction *reduction, FILE *out);
static void write_charts(const struct rows *charts, enum chart_place place,
                         FILE *out);
static void write_round_trips(const struct reduction *reduction, FILE *out);
static void write_over_time(const struct rows *charts, FILE *out);
static void write_method(const struct reduction *reduction, FILE *out);
static void write_doubts(const struct reduction *reduction, FILE *out);
static void write_cautions(FILE *out);
static void write_raw_data(const struct reduction *reduction, FILE *out);

void markdown_write(const struct reduction *reduction, const char *sentence,
                    const struct rows *charts, FILE *out)
{
    write_head(reduction, out);
    write_practice(reduction, out);
    (void) fputs("**", out);
    wording_escape(out, sentence);
    (void) fputs("**\n\n", out);
    reach_write(reduction, out);
    write_gain(reduction, out);
    write_goodput(reduction, out);
    markdown_tcp(reduction, out);
    write_charts(charts, CHART_SUMMARY, out);
    markdown_shortfall(reduction, out);
    write_charts(charts, CHART_SHORTFALL, out);
    markdown_uses(reduction, out);
    write_round_trips(reduction, out);
    write_charts(charts, CHART_ROUND_TRIPS, out);
    write_charts(charts, CHART_ANSWERS, out);
    markdown_messages(reduction, out);
    write_charts(charts, CHART_CONFIRMATIONS, out);
    markdown_together(reduction, out);
    write_charts(charts, CHART_SHARES, out);
    write_over_time(charts, out);
    markdown_readings(reduction, out);
    write_method(reduction, out);
    write_doubts(reduction, out);
    markdown_site(reduction, out);
    write_cautions(out);
    write_raw_data(reduction, out);
}

/* --- the top -------------------------------------------------------------- */

static void write_head(const struct reduction *reduction, FILE *out)
{
    const struct run_record *run = &reduction->run;
    char started[48];
    char ended[48];

    wording_date(run->started_unix_ns, started, sizeof(started));
    wording_date(run->ended_unix_ns, ended, sizeof(ended));
    (void) fputs("# ", out);
    wording_escape(out, run->title[0] ? run->title : reduction->plan->title);
    (void) fprintf(out, "\n\n*Measured %s ", started);
    /* The same day is not said twice. */
    if (run->ended_unix_ns) {
        const char *comma = strchr(ended, ',');
        const size_t day = comma ? (size_t) (comma - ended) : 0;

        (void) fprintf(out, "to %s ",
                       day && strncmp(started, ended, day + 1) == 0 ? comma + 2
                                                                    : ended);
    }
    (void) fputs("UTC. bothends ", out);
    wording_escape(out, run->program_version);
    (void) fprintf(out, ", logbook run %" PRId64 ".*\n\n", run->run);
}

static void write_practice(const struct reduction *reduction, FILE *out)
{
    if (reduction->run.is_practice)
        (void) fputs(
            "> **This is practice.** The traffic was real, the radio was not: "
            "it crossed the practice link, an emulated channel on one "
            "computer. Agreement between these figures and the expectation "
            "shows that the model and the emulation agree, not that a real "
            "radio does so.\n\n",
            out);
    else if (!reduction->plan->on_air)
        (void) fputs("> **This is a bench test**: attenuators or dummy loads, "
                     "no antennas. The path had no part in it.\n\n",
                     out);
}

/* --- goodput -------------------------------------------------------------- */

static void write_names(const struct plan *plan, const struct finding *finding,
                        FILE *out)
{
    (void) fputs("| ", out);
    wording_escape(out, finding->step);
    (void) fputs(" | ", out);
    wording_escape(out, finding->from);
    (void) fputs(" → ", out);
    wording_escape(out, finding->to);
    if (!reach_is_both_ended(plan, finding->to))
        (void) fputs(" (seen from one end only)", out);
    if (finding->condition[0] && strcmp(finding->condition, "idle") != 0) {
        (void) fputs(", beside ", out);
        wording_escape(out, finding->condition);
    }
    (void) fputs(" | ", out);
}

static const struct finding *whole_of(const struct reduction *reduction,
                                      const struct finding *steady)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, "goodput_whole") == 0
            && finding->round == steady->round
            && strcmp(finding->exchange, steady->exchange) == 0
            && strcmp(finding->step, steady->step) == 0
            && strcmp(finding->from, steady->from) == 0
            && strcmp(finding->to, steady->to) == 0
            && strcmp(finding->condition, steady->condition) == 0)
            return finding;
    }
    return NULL;
}

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
    const struct finding *whole = whole_of(reduction, finding);
    char expected[FIGURE_SIZE];
    char measured[FIGURE_SIZE];
    char share[FIGURE_SIZE];
    char whole_figure[FIGURE_SIZE] = "–";

    wording_expected(finding, k, expected);
    wording_figure(finding, k, 2, measured);
    wording_share(finding, share);
    if (whole)
        wording_figure(whole, k, 2, whole_figure);
    write_names(reduction->plan, finding, out);
    (void) fprintf(out, "%s | %s | %s | %s | %s", expected, measured, share,
                   finding->verdict ? verdicts[finding->verdict] : "–",
                   whole_figure);
    if (has_remark) {
        (void) fputs(" | ", out);
        wording_escape(out, finding->why);
    }
    (void) fputs(" |\n", out);
}

static void write_goodput(const struct reduction *reduction, FILE *out)
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
                       "*exceeds*: above the high end, a sign that something "
                       "is not as stated.\n\n",
                       100 * plan_meets_ratio(reduction->plan));
    rows_clear(&table);
}

/* --- gain ----------------------------------------------------------------- */

static const struct plan_step *step_of(const struct plan *plan,
                                       const char *name, size_t *ret_index)
{
    for (size_t i = 0; i < plan->step_count; i++) {
        if (strcmp(plan->steps[i].name, name) == 0) {
            *ret_index = i;
            return &plan->steps[i];
        }
    }
    return NULL;
}

static void write_price(const struct plan_step *above,
                        const struct plan_step *below, FILE *out)
{
    const double bandwidths =
        capacity_bandwidth_hz(above) / capacity_bandwidth_hz(below);
    const double loss_db = above->sensitivity_dbm - below->sensitivity_dbm;

    if (isfinite(bandwidths))
        (void) fprintf(out, ", for %.2g times the bandwidth", bandwidths);
    if (isfinite(loss_db))
        (void) fprintf(out, "%s %.0f dB less margin",
                       isfinite(bandwidths) ? " and" : ", for", loss_db);
}

/* What the steps' parameters promise: middle against middle. */
static double promise_of(const struct reduction *reduction, size_t above)
{
    return range_middle(reduction->expectations[above].goodput_bps)
           / range_middle(reduction->expectations[above - 1].goodput_bps);
}

static void write_gain_sentence(const struct reduction *reduction,
                                const struct finding *finding, FILE *out)
{
    const struct plan *plan = reduction->plan;
    size_t index = 0;
    const struct plan_step *above = step_of(plan, finding->step, &index);

    if (!above || index == 0 || isnan(finding->value))
        return;
    (void) fputs("- From *", out);
    wording_escape(out, plan->steps[index - 1].name);
    (void) fputs("* to *", out);
    wording_escape(out, finding->step);
    (void) fputs("*, ", out);
    wording_escape(out, finding->from);
    (void) fputs(" → ", out);
    wording_escape(out, finding->to);
    (void) fprintf(out, ": %.2f times the goodput (between %.2f and %.2f)",
                   finding->value, finding->low, finding->high);
    if (isfinite(promise_of(reduction, index)))
        (void) fprintf(out, "; the promise is %.2f times",
                       promise_of(reduction, index));
    write_price(above, &plan->steps[index - 1], out);
    (void) fputs(".\n", out);
}

static void write_gain(const struct reduction *reduction, FILE *out)
{
    struct rows table = wording_table(reduction, "gain");
    bool has_gain = false;

    for (size_t i = 0; i < table.count; i++)
        has_gain =
            has_gain || !isnan(((struct finding *) rows_at(&table, i))->value);
    if (has_gain)
        (void) fputs("**What the faster step buys**, during this run:\n\n",
                     out);
    for (size_t i = 0; i < table.count; i++)
        write_gain_sentence(reduction, rows_at(&table, i), out);
    if (has_gain && reduction->plan->rounds < 5)
        (void) fputs("\nWith fewer than five rounds a difference is not shown "
                     "to be due to the change of step.\n",
                     out);
    if (has_gain)
        (void) fputc('\n', out);
    rows_clear(&table);
}

/* --- charts --------------------------------------------------------------- */

static void write_charts(const struct rows *charts, enum chart_place place,
                         FILE *out)
{
    for (size_t i = 0; i < charts->count; i++) {
        const struct chart_file *chart = rows_at(charts, i);

        if (chart->place != place)
            continue;
        (void) fputs("![", out);
        wording_escape(out, chart->title);
        (void) fprintf(out, "](%s.svg)\n\n", chart->name);
    }
}

static void write_over_time(const struct rows *charts, FILE *out)
{
    bool has_any = false;

    for (size_t i = 0; i < charts->count; i++) {
        const struct chart_file *chart = rows_at(charts, i);

        has_any = has_any || chart->place == CHART_OVER_TIME;
    }
    if (!has_any)
        return;
    (void) fputs("## Goodput over time\n\n", out);
    write_charts(charts, CHART_OVER_TIME, out);
}

/* --- round trips ---------------------------------------------------------- */

static const struct finding *like(const struct reduction *reduction,
                                  const struct finding *finding,
                                  const char *measure)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *other = rows_at(&reduction->findings, i);

        if (strcmp(other->measure, measure) == 0
            && other->round == finding->round
            && strcmp(other->exchange, finding->exchange) == 0
            && strcmp(other->step, finding->step) == 0
            && strcmp(other->from, finding->from) == 0
            && strcmp(other->to, finding->to) == 0
            && strcmp(other->condition, finding->condition) == 0)
            return other;
    }
    return NULL;
}

static void write_time_cell(const struct reduction *reduction,
                            const struct finding *loss, const char *measure,
                            FILE *out)
{
    const struct finding *finding = like(reduction, loss, measure);
    char figure[FIGURE_SIZE] = "–";

    if (finding)
        wording_figure(finding, ms, 1, figure);
    (void) fprintf(out, " | %s", figure);
}

static void write_round_trip_row(const struct reduction *reduction,
                                 const struct finding *loss, FILE *out)
{
    static const char *const measures[] = { "rtt_least", "rtt_p50", "rtt_p90",
                                            "rtt_p95", "rtt_p99" };
    const struct finding *median = like(reduction, loss, "rtt_p50");
    char expected[FIGURE_SIZE] = "–";
    char figure[FIGURE_SIZE];

    if (median)
        wording_expected(median, ms, expected);
    wording_figure(loss, 0.01, 2, figure);
    write_names(reduction->plan, loss, out);
    (void) fprintf(out, "%" PRIu64 " | %s", loss->samples_count, figure);
    (void) fprintf(out, " | %s", expected);
    for (size_t i = 0; i < COUNT_OF(measures); i++)
        write_time_cell(reduction, loss, measures[i], out);
    (void) fputs(" |\n", out);
}

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
}

static bool is_any_missing(const struct rows *losses)
{
    return wording_counts(losses).missing > 0;
}

static bool is_any_lost(const struct rows *losses)
{
    for (size_t i = 0; i < losses->count; i++) {
        if (((const struct finding *) rows_at(losses, i))->value > 0)
            return true;
    }
    return false;
}

/* Where probes were lost: what those that were answered took. */
static void write_answered(const struct reduction *reduction,
                           const struct rows *losses, FILE *out)
{
    static const char *const measures[] = { "rtt_answered_p50",
                                            "rtt_answered_p90",
                                            "rtt_answered_p95",
                                            "rtt_answered_p99" };

    if (!is_any_lost(losses))
        return;
    (void) fputs("Of the answered ones alone:\n\n"
                 "| step | direction | p50 | p90 | p95 | p99 |\n"
                 "|---|---|---:|---:|---:|---:|\n",
                 out);
    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *finding = rows_at(losses, i);

        if (!(finding->value > 0))
            continue;
        (void) fputs("| ", out);
        wording_escape(out, finding->step);
        (void) fputs(" | ", out);
        wording_escape(out, finding->from);
        (void) fputs(" → ", out);
        wording_escape(out, finding->to);
        for (size_t j = 0; j < COUNT_OF(measures); j++)
            write_time_cell(reduction, finding, measures[j], out);
        (void) fputs(" |\n", out);
    }
    (void) fputc('\n', out);
}

static void write_round_trips(const struct reduction *reduction, FILE *out)
{
    struct rows losses = wording_table(reduction, "loss");

    if (losses.count) {
        (void) fputs(
            "## Round trips and loss\n\n"
            "Times in ms, loss in %; percentiles of all sent, so that a lost "
            "probe counts as infinite (∞).\n\n"
            "| step | direction | probes | loss | expected median | least | "
            "p50 | p90 | p95 | p99 |\n"
            "|---|---|---:|---:|---:|---:|---:|---:|---:|---:|\n",
            out);
        for (size_t i = 0; i < losses.count; i++)
            write_round_trip_row(reduction, rows_at(&losses, i), out);
        (void) fputc('\n', out);
        write_answered(reduction, &losses, out);
        write_whys(&losses, out);
        if (is_any_missing(&losses))
            (void) fputc('\n', out);
    }
    rows_clear(&losses);
}

/* --- how, doubts ---------------------------------------------------------- */

static void write_sentences(const struct rows *sentences, FILE *out)
{
    for (size_t i = 0; i < sentences->count; i++) {
        const struct sentence *sentence = rows_at(sentences, i);
        bool is_new = true;

        for (size_t j = 0; j < i; j++) {
            const struct sentence *earlier = rows_at(sentences, j);

            is_new = is_new && strcmp(earlier->text, sentence->text) != 0;
        }
        if (!is_new)
            continue;
        (void) fputs("- ", out);
        wording_escape(out, sentence->text);
        (void) fputc('\n', out);
    }
    (void) fputc('\n', out);
}

static const struct finding *control_share_of(const struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->measure, "control_share") == 0)
            return finding;
    }
    return NULL;
}

static void write_control(const struct reduction *reduction, FILE *out)
{
    const struct run_record *run = &reduction->run;
    const struct finding *finding = control_share_of(reduction);

    if (!finding || isnan(finding->value))
        return;
    (void) fprintf(out,
                   "Our own control traffic: %.1f kB, %.1f %% of all bytes",
                   (double) run->control_bytes * 1e-3, 100 * finding->value);
    if (isfinite(run->control_airtime_s))
        (void) fprintf(out, ", about %.1f s on the air (estimated)",
                       run->control_airtime_s);
    if (run->identification_count)
        (void) fprintf(
            out, ". Beside it %" PRIu64 " plain-text identifications, %.1f kB",
            run->identification_count,
            (double) run->identification_bytes * 1e-3);
    (void) fputs(".\n\n", out);
}

static void write_definitions(const struct reduction *reduction, FILE *out)
{
    for (size_t i = 0; report_kinds[i]; i++) {
        bool is_used = false;

        for (size_t j = 0; j < reduction->exchanges.count; j++)
            is_used = is_used
                      || strcmp(reduction_exchange(reduction, j)->kind->name,
                                report_kinds[i]->name)
                             == 0;
        if (is_used)
            (void) fprintf(out, "%s\n\n", report_kinds[i]->definition);
    }
}

static void write_expectations(const struct reduction *reduction, FILE *out)
{
    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const struct expectation *expectation = &reduction->expectations[i];

        if (!expectation->why[0])
            continue;
        (void) fputs("- What to expect of *", out);
        wording_escape(out, reduction->plan->steps[i].name);
        (void) fprintf(out, "*: %s.\n", expectation->why);
    }
    (void) fputs(
        "Expected is what one flow alone should get one way, its "
        "acknowledgements paid for in airtime, as a range over what the plan "
        "leaves open.\n\n",
        out);
}

static void write_method(const struct reduction *reduction, FILE *out)
{
    if (!reduction->exchanges.count)
        return;
    (void) fputs("## How it was measured\n\n", out);
    write_definitions(reduction, out);
    write_expectations(reduction, out);
    if (reduction->methods.count)
        write_sentences(&reduction->methods, out);
    write_control(reduction, out);
}

static void write_doubts(const struct reduction *reduction, FILE *out)
{
    if (!reduction->doubts.count)
        return;
    (void) fputs("## Doubts\n\n", out);
    write_sentences(&reduction->doubts, out);
}

/* --- the end -------------------------------------------------------------- */

static void write_cautions(FILE *out)
{
    (void) fputs("## Cautions\n\n", out);
    for (size_t i = 0; cautions[i]; i++)
        (void) fprintf(out, "- %s\n", cautions[i]);
    (void) fputc('\n', out);
}

static void write_raw_data(const struct reduction *reduction, FILE *out)
{
    (void) fprintf(
        out,
        "## Raw data\n\n"
        "Every sample is in the logbook (an SQLite file) as run %" PRId64
        "; every figure is in `results.json` and `results.csv`, every chart "
        "also as PNG in `charts/`. `bothends report %" PRId64
        "` works them out again.\n",
        reduction->run.run, reduction->run.run);
}
