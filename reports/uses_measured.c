/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/uses_measured.h"

#include "reports/wording.h"

/* A key stroke or a word of speech is no larger, headers apart: 20 ms of speech
 * are 160 B at 64 kbit/s (ITU-T G.711). */
static const uint64_t small_bytes = 160;

static struct range widened(struct range range, double low, double high)
{
    if (!range_is_said(range))
        return (struct range){ low, high };
    return (struct range){ fmin(range.low, low), fmax(range.high, high) };
}

/* With the interval, or without where it has none. */
static struct range widened_by(struct range range,
                               const struct finding *finding, double unit)
{
    const bool has_interval = finding->low > 0 && isfinite(finding->high);
    const double low = has_interval ? finding->low : finding->value;
    const double high = has_interval ? finding->high : finding->value;

    return widened(range, low * unit, high * unit);
}

static bool is_idle_on(const struct finding *finding, const char *step)
{
    return strcmp(finding->step, step) == 0
           && wording_is_alone(finding->condition) && isfinite(finding->value);
}

/* --- downloads and messages ----------------------------------------------- */

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
            *range = widened_by(*range, finding, 1);
    }
    rows_clear(&table);
}

static struct range confirmed_ns(const struct reduction *reduction,
                                 const char *step)
{
    struct rows table = wording_table(reduction, "confirmed_p50");
    struct range range_ns = range_unsaid();

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (is_idle_on(finding, step))
            range_ns = widened_by(range_ns, finding, 1e9);
    }
    rows_clear(&table);
    return range_ns;
}

/* --- pings ---------------------------------------------------------------- */

static bool is_small(const struct reduction *reduction,
                     const struct finding *finding)
{
    const struct exchange_record *exchange =
        reduction_exchange_of(reduction, finding);
    const struct ping_spec *spec = exchange && exchange->has_spec
                                       ? (const void *) exchange->spec.bytes
                                       : NULL;

    return !spec || spec->size_bytes <= small_bytes;
}

/* Rungs in the order of the way out; what is no landmark is the far end. */
static int rung_of(const struct plan *plan, const struct finding *finding)
{
    const size_t end = plan_find_end(plan, finding->to);
    const int landmark =
        end < plan->end_count ? plan->ends[end].landmark : LANDMARK_NONE;

    return landmark == LANDMARK_NONE ? LANDMARK_FAR_COMPUTER : landmark;
}

/* Small echoes to the farthest rung; their findings of that measure. */
static struct rows small_echoes(const struct reduction *reduction,
                                const char *step, const char *measure)
{
    struct rows table = wording_table(reduction, measure);
    struct rows chosen = { .row_size = sizeof(struct finding) };
    int farthest = LANDMARK_FAR_RADIO;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);
        const int rung = rung_of(reduction->plan, finding);

        if (is_idle_on(finding, step) && rung > farthest)
            farthest = rung;
    }
    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (strcmp(finding->kind, ping_kind.name) == 0
            && is_idle_on(finding, step) && is_small(reduction, finding)
            && rung_of(reduction->plan, finding) == farthest)
            *(struct finding *) rows_add(&chosen) = *finding;
    }
    rows_clear(&table);
    return chosen;
}

static void note_echoes(const struct reduction *reduction, const char *step,
                        struct uses_figures *figures)
{
    struct rows medians = small_echoes(reduction, step, "rtt_p50");
    struct rows losses = small_echoes(reduction, step, "loss");

    for (size_t i = 0; i < medians.count; i++)
        figures->rtt_ns =
            widened_by(figures->rtt_ns, rows_at(&medians, i), 1e9);
    for (size_t i = 0; i < losses.count; i++) {
        const struct finding *loss = rows_at(&losses, i);

        figures->loss_ratio = fmax(figures->loss_ratio, loss->value);
        figures->loss_least_ratio = fmax(figures->loss_least_ratio, loss->low);
    }
    rows_clear(&medians);
    rows_clear(&losses);
}

/* --- stamped probes, where no ping ran ------------------------------------ */

static void note_stamps(const struct reduction *reduction, const char *step,
                        struct uses_figures *figures)
{
    struct rows medians = wording_table(reduction, "rtt_stamped_p50");
    struct rows losses = wording_table(reduction, "rtt_stamped_loss");

    for (size_t i = 0; i < medians.count && i < losses.count; i++) {
        const struct finding *median = rows_at(&medians, i);
        const struct finding *loss = rows_at(&losses, i);
        const struct exchange_record *exchange =
            reduction_exchange_of(reduction, median);
        const struct timing_spec *spec =
            exchange && exchange->has_spec ? (const void *) exchange->spec.bytes
                                           : NULL;

        if (!is_idle_on(median, step)
            || (spec && spec->size_bytes > small_bytes))
            continue;
        figures->rtt_ns = widened_by(figures->rtt_ns, median, 1e9);
        figures->loss_ratio = fmax(figures->loss_ratio, loss->value);
        figures->loss_least_ratio = fmax(figures->loss_least_ratio, loss->low);
    }
    rows_clear(&medians);
    rows_clear(&losses);
}

/* --- all of it ------------------------------------------------------------ */

bool uses_has_rate(const struct uses_figures *figures)
{
    return range_is_said(figures->down_bps) || range_is_said(figures->up_bps);
}

void uses_measured(const struct reduction *reduction, const char *step,
                   struct uses_figures *ret_figures)
{
    *ret_figures = (struct uses_figures){
        .down_bps = range_unsaid(),
        .up_bps = range_unsaid(),
        .rtt_ns = range_unsaid(),
        .confirmed_ns = confirmed_ns(reduction, step),
        .loss_ratio = (double) NAN,
        .loss_least_ratio = (double) NAN,
        .is_half_duplex = reduction->plan->link.access != ACCESS_FULL_DUPLEX,
    };
    note_echoes(reduction, step, ret_figures);
    if (!range_is_said(ret_figures->rtt_ns))
        note_stamps(reduction, step, ret_figures);
    note_goodput(reduction, step, "goodput_steady", ret_figures);
    if (!uses_has_rate(ret_figures))
        note_goodput(reduction, step, "goodput_whole", ret_figures);
}

void uses_judge_measured(const struct uses_figures *figures,
                         struct use ret_uses[USE_COUNT])
{
    uses_judge(figures, ret_uses);
    if (!uses_has_rate(figures))
        ret_uses[USE_VOICE].verdict = USE_UNKNOWN;
}
