/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_uses.h"

#include "reports/reach.h"
#include "reports/uses_measured.h"
#include "reports/wording.h"

/* What lies behind a break cannot be judged before it is mended. */
static bool is_known(const struct reduction *reduction,
                     const struct uses_figures *figures)
{
    return uses_has_rate(figures)
           || (!reach_has_break(reduction)
               && (range_is_said(figures->rtt_ns)
                   || range_is_said(figures->confirmed_ns)));
}

static void write_step(const char *step, const struct uses_figures *figures,
                       FILE *out)
{
    struct use uses[USE_COUNT];
    char sentence[400];

    uses_judge_measured(figures, uses);
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
    if (!uses_has_rate(figures))
        (void) fputs("- of larger things nothing is known: no download says "
                     "how much it carries\n",
                     out);
    (void) fputc('\n', out);
}

void markdown_uses(const struct reduction *reduction, FILE *out)
{
    const struct plan *plan = reduction->plan;
    bool has_head = false;

    if (reduction->run.lost_time)
        return; /* its figures mean nothing */
    for (size_t i = 0; i < plan->step_count; i++) {
        struct uses_figures figures;

        uses_measured(reduction, plan->steps[i].name, &figures);
        if (!is_known(reduction, &figures))
            continue;
        if (!has_head)
            (void) fputs("## What it is good for\n\n", out);
        has_head = true;
        write_step(plan->steps[i].name, &figures, out);
    }
}
