/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/gain.h"
#include "reports/wording.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>

#define GAIN_SCHEMA_VERSION 1

static const double k = 1e3; /* rates in kbit/s */

/* clang-format off */
const char *const gain_verdict_names[] = {
    [GAIN_NO_FIGURE] = "no_figure",     [GAIN_NOT_CLAIMED] = "not_claimed",
    [GAIN_PAYS] = "pays",               [GAIN_PAYS_LESS] = "pays_less",
    [GAIN_DOES_NOT_PAY] = "does_not_pay", [GAIN_MORE] = "more",
    [GAIN_LESS] = "less",               [GAIN_SAME] = "same",
    [GAIN_UNDECIDED] = "undecided",     NULL,
};
/* clang-format on */

/* --- for a person --------------------------------------------------------- */

static void write_clean(FILE *out, const char *text)
{
    char clean[512];

    wording_clean(text, clean, sizeof(clean));
    (void) fputs(clean, out);
}

static void write_run(FILE *out, const char *before,
                      const struct run_record *run)
{
    (void) fprintf(out, "%s run %" PRId64 ", ", before, run->run);
    write_clean(out, run->title);
    (void) fprintf(out, ", %s%s\n", run->started_utc,
                   run->is_practice ? " (practice)" : "");
}

static void write_head(const struct gain_table *table, FILE *out)
{
    if (table->before.run == table->after.run) {
        write_run(out, "step against step:", &table->after);
    } else {
        write_run(out, "before:", &table->before);
        write_run(out, "after: ", &table->after);
    }
}

static void write_names(const struct gain *gain, FILE *out)
{
    (void) fputc('\n', out);
    if (strcmp(gain->before.step, gain->after.step) != 0) {
        write_clean(out, gain->before.step);
        (void) fputs(" -> ", out);
    }
    write_clean(out, gain->after.step);
    (void) fputs(", ", out);
    write_clean(out, gain->from);
    (void) fputs(" > ", out);
    write_clean(out, gain->to);
    (void) fputc('\n', out);
}

/* Decimals that the interval allows. */
static int decimals_of(double low, double high)
{
    return wording_decimals((high - low) / 2, 3);
}

static void write_goodput(const struct gain *gain, FILE *out)
{
    const int decimals = decimals_of(gain->ratio.low, gain->ratio.high);
    char before[FIGURE_SIZE], after[FIGURE_SIZE];

    if (gain->verdict == GAIN_NO_FIGURE)
        return;
    wording_significant(gain->before.mean_bps / k, 3, before);
    wording_significant(gain->after.mean_bps / k, 3, after);
    (void) fprintf(out,
                   "  goodput   %s -> %s kbit/s: %.*f times "
                   "(%.*f to %.*f), %s\n",
                   before, after, decimals, gain->ratio.value, decimals,
                   gain->ratio.low, decimals, gain->ratio.high,
                   gain->is_over_rounds ? "over the rounds"
                                        : "during these exchanges");
    (void) fprintf(out, "  rounds    %zu before, %zu after\n",
                   gain->before.round_count, gain->after.round_count);
}

static void write_promise(const struct gain *gain, FILE *out)
{
    if (isnan(gain->promised.low))
        return;
    const int decimals = decimals_of(gain->promised.low, gain->promised.high);

    (void) fprintf(out, "  promised  %.*f to %.*f times\n", decimals,
                   gain->promised.low, decimals, gain->promised.high);
}

static void write_price(const struct gain *gain, FILE *out)
{
    const bool has_bandwidth = isfinite(gain->bandwidth_ratio);
    const bool has_margin = isfinite(gain->margin_loss_db);
    char number[FIGURE_SIZE];

    if (!has_bandwidth && !has_margin)
        return;
    (void) fputs("  price     ", out);
    wording_significant(gain->bandwidth_ratio, 3, number);
    if (has_bandwidth)
        (void) fprintf(out, "%s times the bandwidth", number);
    if (has_bandwidth && has_margin)
        (void) fputs(", ", out);
    if (has_margin)
        (void) fprintf(out, "%.1f dB %s margin", fabs(gain->margin_loss_db),
                       gain->margin_loss_db < 0 ? "more" : "less");
    wording_significant(gain->ratio.value / gain->bandwidth_ratio, 2, number);
    if (has_bandwidth && isfinite(gain->ratio.value))
        (void) fprintf(out, "\n            %s times the goodput in each hertz",
                       number);
    (void) fputc('\n', out);
}

static void write_equivalence(const struct gain *gain, double margin_ratio,
                              FILE *out)
{
    static const double least = 0.0001;
    char margin[FIGURE_SIZE], probability[FIGURE_SIZE];

    wording_significant(100 * margin_ratio, 3, margin);
    wording_significant(fmax(gain->same, least), 2, probability);
    (void) fprintf(out, " beyond %s %% (equivalence test, p %s %s)", margin,
                   gain->same < least ? "<" : "=", probability);
}

static void write_verdict(const struct gain *gain, double margin_ratio,
                          FILE *out)
{
    static const char *const words[] = {
        [GAIN_NO_FIGURE] = "no figure",
        [GAIN_NOT_CLAIMED] = "none",
        [GAIN_PAYS] = "the faster step pays",
        [GAIN_PAYS_LESS] = "the faster step pays, but less than promised",
        [GAIN_DOES_NOT_PAY] = "the faster step does not pay",
        [GAIN_MORE] = "more than before",
        [GAIN_LESS] = "less than before",
        [GAIN_SAME] = "no change",
        [GAIN_UNDECIDED] = "undecided",
    };

    (void) fprintf(out, "  verdict   %s", words[gain->verdict]);
    if (gain->why[0])
        (void) fprintf(out, "\n            %s", gain->why);
    if (gain->verdict == GAIN_SAME)
        write_equivalence(gain, margin_ratio, out);
    else if (gain->verdict == GAIN_UNDECIDED)
        (void) fputs(": more rounds would decide", out);
    (void) fputc('\n', out);
}

void gain_write_text(const struct gain_table *table, FILE *out)
{
    write_head(table, out);
    if (!table->gains.count) {
        (void) fputs("\nNothing to compare: ", out);
        write_clean(out, table->why);
        (void) fputs(".\n", out);
    }
    for (size_t i = 0; i < table->gains.count; i++) {
        const struct gain *gain = rows_at(&table->gains, i);

        write_names(gain, out);
        write_goodput(gain, out);
        write_promise(gain, out);
        write_price(gain, out);
        write_verdict(gain, table->margin_ratio, out);
    }
}

/* --- for programs --------------------------------------------------------- */

static json_t *text_value(const char *text)
{
    char clean[512];

    wording_clean(text, clean, sizeof(clean));
    return json_string(clean);
}

static json_t *real_value(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *side_object(const struct gain_side *side)
{
    return json_pack("{s:o, s:o, s:I}", "step", text_value(side->step),
                     "goodput_bps", real_value(side->mean_bps), "rounds",
                     (json_int_t) side->round_count);
}

static json_t *gain_object(const struct gain *gain)
{
    return json_pack(
        "{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:f, s:b, s:o, s:o, s:o, s:o, "
        "s:o, s:s, s:o}",
        "from", text_value(gain->from), "to", text_value(gain->to), "before",
        side_object(&gain->before), "after", side_object(&gain->after), "ratio",
        real_value(gain->ratio.value), "low", real_value(gain->ratio.low),
        "high", real_value(gain->ratio.high), "level", CONFIDENCE_LEVEL,
        "over_rounds", gain->is_over_rounds, "promised_low",
        real_value(gain->promised.low), "promised_high",
        real_value(gain->promised.high), "bandwidth_ratio",
        real_value(gain->bandwidth_ratio), "margin_loss_db",
        real_value(gain->margin_loss_db), "same_probability",
        real_value(gain->same), "verdict", gain_verdict_names[gain->verdict],
        "why", text_value(gain->why));
}

static json_t *run_object(const struct run_record *run)
{
    return json_pack("{s:I, s:o, s:s, s:b}", "run", (json_int_t) run->run,
                     "title", text_value(run->title), "started_utc",
                     run->started_utc, "practice", run->is_practice);
}

int gain_write_json(const struct gain_table *table, FILE *out,
                    struct fault *fault)
{
    json_t *gains = json_array();

    for (size_t i = 0; i < table->gains.count; i++)
        (void) json_array_append_new(gains,
                                     gain_object(rows_at(&table->gains, i)));
    json_t *object = json_pack(
        "{s:i, s:o, s:o, s:f, s:o}", "schema", GAIN_SCHEMA_VERSION, "before",
        run_object(&table->before), "after", run_object(&table->after),
        "margin", table->margin_ratio, "gains", gains);
    const int code =
        json_dumpf(object, out, JSON_INDENT(1) | JSON_REAL_PRECISION(12));

    json_decref(object);
    if (code || fputc('\n', out) == EOF)
        return fault_set(fault, -EIO, "cannot write the gains as JSON");
    return 0;
}
