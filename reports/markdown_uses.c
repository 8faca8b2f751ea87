/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_uses.h"

#include "reports/reach.h"
#include "reports/uses.h"
#include "reports/wording.h"

static struct range widened(struct range range, double low, double high)
{
    if (!range_is_said(range))
        return (struct range){ low, high };
    return (struct range){ fmin(range.low, low), fmax(range.high, high) };
}

static bool is_idle_on(const struct finding *finding, const char *step)
{
    return strcmp(finding->step, step) == 0
           && strcmp(finding->condition, "idle") == 0
           && isfinite(finding->value);
}

static void note_goodput(const struct reduction *reduction, const char *step,
                         const char *measure, struct uses_figures *figures)
{
    struct rows table = wording_table(reduction, measure);

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);
        struct range *range = plan_is_hub(reduction->plan, finding->from)
                                  ? &figures->down_bps
                                  : &figures->up_bps;

        if (is_idle_on(finding, step))
            *range = widened(*range, finding->value, finding->value);
    }
    rows_clear(&table);
}

static struct range times_of(const struct reduction *reduction,
                             const char *step, const char *measure)
{
    struct rows table = wording_table(reduction, measure);
    struct range range_ns = range_unsaid();

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (is_idle_on(finding, step))
            range_ns =
                widened(range_ns, finding->value * 1e9, finding->value * 1e9);
    }
    rows_clear(&table);
    return range_ns;
}

static void note_losses(const struct reduction *reduction, const char *step,
                        struct uses_figures *figures)
{
    struct rows table = wording_table(reduction, "loss");

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (!is_idle_on(finding, step))
            continue;
        figures->loss_ratio = fmax(figures->loss_ratio, finding->value);
        figures->loss_least_ratio =
            fmax(figures->loss_least_ratio, finding->low);
    }
    rows_clear(&table);
}

static bool has_rate(const struct uses_figures *figures)
{
    return range_is_said(figures->down_bps) || range_is_said(figures->up_bps);
}

static bool gather(const struct reduction *reduction, const char *step,
                   struct uses_figures *ret_figures)
{
    *ret_figures = (struct uses_figures){
        .down_bps = range_unsaid(),
        .up_bps = range_unsaid(),
        .rtt_ns = times_of(reduction, step, "rtt_p50"),
        .confirmed_ns = times_of(reduction, step, "confirmed_p50"),
        .loss_ratio = (double) NAN,
        .loss_least_ratio = (double) NAN,
        .is_half_duplex = reduction->plan->link.access != ACCESS_FULL_DUPLEX,
    };
    note_losses(reduction, step, ret_figures);
    note_goodput(reduction, step, "goodput_steady", ret_figures);
    if (!has_rate(ret_figures))
        note_goodput(reduction, step, "goodput_whole", ret_figures);
    /* What lies behind a break cannot be judged before it is mended. */
    return has_rate(ret_figures)
           || (!reach_has_break(reduction)
               && (range_is_said(ret_figures->rtt_ns)
                   || range_is_said(ret_figures->confirmed_ns)));
}

static void write_step(const char *step, const struct uses_figures *figures,
                       FILE *out)
{
    struct use uses[USE_COUNT];
    char sentence[400];

    uses_judge(figures, uses);
    /* Short delays alone do not carry a call. */
    if (!has_rate(figures))
        uses[USE_VOICE].verdict = USE_UNKNOWN;
    uses_sentence(uses, sentence, sizeof(sentence));
    (void) fputs("**On *", out);
    wording_escape(out, step);
    (void) fputs("*:** ", out);
    wording_escape(out, sentence);
    (void) fputs("\n\n", out);
    for (size_t i = 0; i < USE_COUNT; i++) {
        if (uses[i].verdict == USE_UNKNOWN)
            continue;
        (void) fputs("- ", out);
        wording_escape(out, uses[i].words);
        (void) fputc('\n', out);
    }
    if (!has_rate(figures))
        (void) fputs("- of larger things nothing is known: no download says "
                     "how much it carries\n",
                     out);
    (void) fputc('\n', out);
}

void markdown_uses(const struct reduction *reduction, FILE *out)
{
    const struct plan *plan = reduction->plan;
    bool has_head = false;

    for (size_t i = 0; i < plan->step_count; i++) {
        struct uses_figures figures;

        if (!gather(reduction, plan->steps[i].name, &figures))
            continue;
        if (!has_head)
            (void) fputs("## What it is good for\n\n", out);
        has_head = true;
        write_step(plan->steps[i].name, &figures, out);
    }
}
