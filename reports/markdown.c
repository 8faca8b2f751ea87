/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown.h"

#include "reports/charts.h"
#include "reports/markdown_goodput.h"
#include "reports/markdown_messages.h"
#include "reports/markdown_readings.h"
#include "reports/markdown_shortfall.h"
#include "reports/markdown_site.h"
#include "reports/markdown_tcp.h"
#include "reports/markdown_timing.h"
#include "reports/markdown_together.h"
#include "reports/markdown_trips.h"
#include "reports/markdown_uses.h"
#include "reports/reach.h"
#include "reports/table.h"
#include "reports/wording.h"

#include <bothends/cautions.h>
#include <inttypes.h>

/* Sentences on single downloads. */
#define DETAILS_MOST 40

/* The report, top to bottom. */
static void write_head(const struct reduction *reduction, FILE *out);
static void write_practice(const struct reduction *reduction, FILE *out);
static void write_cut(const struct reduction *reduction, FILE *out);
static void write_charts(const struct rows *charts, enum chart_place place,
                         FILE *out);
static void write_over_time(const struct rows *charts, FILE *out);
static void write_method(const struct reduction *reduction, FILE *out);
static void write_details(const struct reduction *reduction, FILE *out);
static void write_doubts(const struct reduction *reduction, FILE *out);
static void write_cautions(FILE *out);
static void write_raw_data(const struct reduction *reduction, FILE *out);

void markdown_write(const struct reduction *reduction, const char *sentence,
                    const struct rows *charts, FILE *out)
{
    write_head(reduction, out);
    write_practice(reduction, out);
    write_cut(reduction, out);
    (void) fputs("**", out);
    wording_escape(out, sentence);
    (void) fputs("**\n\n", out);
    reach_write(reduction, out);
    markdown_gain(reduction, out);
    markdown_goodput(reduction, out);
    write_charts(charts, CHART_SUMMARY, out);
    markdown_shortfall(reduction, out);
    write_charts(charts, CHART_SHORTFALL, out);
    markdown_uses(reduction, out);
    markdown_trips(reduction, out);
    write_charts(charts, CHART_ROUND_TRIPS, out);
    write_charts(charts, CHART_ANSWERS, out);
    markdown_timing(reduction, out);
    write_charts(charts, CHART_ONE_WAY, out);
    write_charts(charts, CHART_ONE_WAY_LOSSES, out);
    markdown_messages(reduction, out);
    write_charts(charts, CHART_CONFIRMATIONS, out);
    markdown_together(reduction, out);
    write_charts(charts, CHART_SHARES, out);
    write_over_time(charts, out);
    markdown_tcp(reduction, out);
    write_doubts(reduction, out);
    markdown_site(reduction, out);
    markdown_readings(reduction, out);
    write_method(reduction, out);
    write_details(reduction, out);
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

/* A run that did not come to its end, in the words of its state. */
static void write_cut(const struct reduction *reduction, FILE *out)
{
    const char *state = reduction->run.state;

    if (strcmp(state, "complete") == 0)
        return;
    (void) fprintf(
        out,
        "> **This run %s**: what was measured until then is told here, and "
        "what is missing says nothing.\n\n",
        strcmp(state, "running") == 0       ? "was not over"
        : strcmp(state, "interrupted") == 0 ? "was interrupted"
                                            : "was cut off by a failure");
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
    if (reduction->run.lost_time)
        (void) fputs("> **The practice link did not keep time**, so the "
                     "figures below mean nothing. Rehearse again when this "
                     "computer has nothing else to do.\n\n",
                     out);
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

/* --- how, doubts ---------------------------------------------------------- */

/* Is it there already, or said with more words? */
static bool is_said_elsewhere(const struct rows *sentences, size_t number)
{
    const char *text = ((struct sentence *) rows_at(sentences, number))->text;

    for (size_t i = 0; i < sentences->count; i++) {
        const char *other = ((struct sentence *) rows_at(sentences, i))->text;

        if (i != number && strstr(other, text)
            && (i < number || strlen(other) > strlen(text)))
            return true;
    }
    return false;
}

static void write_sentences(const struct rows *sentences, FILE *out)
{
    for (size_t i = 0; i < sentences->count; i++) {
        const struct sentence *sentence = rows_at(sentences, i);

        if (is_said_elsewhere(sentences, i))
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
    if (run->control_bytes == 0) {
        (void) fputs("None of our own control traffic crossed the link.\n\n",
                     out);
        return;
    }
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

static bool has_kind(const struct reduction *reduction, const char *name)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        if (strcmp(reduction_exchange(reduction, i)->kind->name, name) == 0)
            return true;
    }
    return false;
}

static void write_definitions(const struct reduction *reduction, FILE *out)
{
    for (size_t i = 0; report_kinds[i]; i++) {
        if (has_kind(reduction, report_kinds[i]->name))
            (void) fprintf(out, "%s\n\n", report_kinds[i]->definition);
    }
}

static void write_expectations(const struct reduction *reduction, FILE *out)
{
    bool is_any = false;

    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const struct expectation *expectation = &reduction->expectations[i];

        if (!expectation->why[0])
            continue;
        (void) fputs("- What to expect of *", out);
        wording_escape(out, reduction->plan->steps[i].name);
        (void) fprintf(out, "*: %s.\n", expectation->why);
        is_any = true;
    }
    (void) fputs(is_any ? "\n" : "", out);
    if (has_kind(reduction, download_report.name))
        (void) fputs(
            "Expected is what one flow alone should get one way, its "
            "acknowledgements paid for in airtime, as a range over what the "
            "plan leaves open.\n\n",
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

/* How each download was cut and batched; a long run has too many of them. */
static void write_details(const struct reduction *reduction, FILE *out)
{
    const struct rows *details = &reduction->details;
    const struct rows shown = { details->row_size,
                                details->count < DETAILS_MOST ? details->count
                                                              : DETAILS_MOST,
                                0, details->data };

    if (!details->count)
        return;
    (void) fputs("### Each download\n\n", out);
    write_sentences(&shown, out);
    if (shown.count < details->count)
        (void) fprintf(out,
                       "%zu more are not listed here; their figures are in "
                       "`results.json`.\n\n",
                       details->count - shown.count);
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
    const struct run_record *run = &reduction->run;

    (void) fprintf(
        out,
        "## Raw data\n\n"
        "Every sample is in the logbook (%s) as run %" PRId64
        "; every figure is in `results.json` and `results.csv`, "
        "every chart also as PNG in `charts/`. `bothends report "
        "%" PRId64 "%s` works them out again.\n",
        run->is_practice ? "of the rehearsal: `logbook.db`, an SQLite file"
                         : "an SQLite file",
        run->run, run->run, run->is_practice ? " --logbook logbook.db" : "");
}
