/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/doubts_echoes.h"

#include "reports/repeats.h"
#include "reports/shortfall_evidence.h"

#include <bothends/kinds.h>

/* Fewer that are lost one after the other may be so by chance. */
#define GAP_LOSSES_LEAST 3
#define GAP_CHANCE_RATIO 0.01

/* Then it is the download that shows whether the link carries what it should,
 * and why not. */
static bool has_download_beside(const struct reduction *reduction,
                                const struct exchange_record *ping)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (strcmp(exchange->kind->name, download_kind.name) == 0
            && repeats_are_beside(ping, exchange))
            return true;
    }
    return false;
}

/* --- times ---------------------------------------------------------------- */

static void doubt_overtaking(struct reduction *reduction,
                             const struct exchange_record *ping)
{
    if ((double) ping->overtaken_count >= REORDERED_LEAST)
        reduction_add_sentence(
            &reduction->doubts,
            "%zu answers to pings from %s to %s on step %s came after answers "
            "to later ones: packets overtake each other, or some are held back "
            "on the way. One radio channel does not do that by itself.",
            ping->overtaken_count, ping->from, ping->to, ping->step);
}

static void doubt_times(struct reduction *reduction,
                        const struct exchange_record *ping)
{
    static const char reasons[] =
        "more stations than the plan states, longer slots or other users of "
        "the channel";
    struct evidence evidence = { .echo_least_s = (double) NAN,
                                 .echo_median_s = (double) NAN };
    uint64_t most_count = ECHOES_LEAST - 1;

    evidence_take_ping(reduction, ping, &most_count, &evidence);
    if (!evidence_has_longer_echoes(&evidence)
        || has_download_beside(reduction, ping))
        return;
    if (evidence.echo_median_s
        > ECHO_MEDIAN_RATIO * evidence.echo_median_expected_s.high)
        reduction_add_sentence(
            &reduction->doubts,
            "Half of the echoes from %s to %s on step %s took %.0f ms or more, "
            "and %.0f ms are the most that is expected of an idle link: %s.",
            ping->from, ping->to, ping->step, evidence.echo_median_s * 1e3,
            evidence.echo_median_expected_s.high * 1e3, reasons);
    else
        reduction_add_sentence(
            &reduction->doubts,
            "%.0f of %.0f echoes from %s to %s on step %s took longer than any "
            "should on an idle link: %s.",
            evidence.late_echoes_count, evidence.echoes_count, ping->from,
            ping->to, ping->step, reasons);
}

/* --- losses --------------------------------------------------------------- */

/* Most of them one after the other, which the others' share would not give. */
static bool is_one_gap(const struct answer_counts *counts)
{
    const double run = (double) counts->longest_run_count;
    const double lost = (double) counts->lost_count;
    const double sent = (double) counts->sent_count;

    return run >= GAP_LOSSES_LEAST && run >= lost / 2 && run < sent
           && sent * pow((lost - run) / (sent - run), run) < GAP_CHANCE_RATIO;
}

static void doubt_gap(struct reduction *reduction, const struct curve *curve)
{
    const struct answer_counts *counts = &curve->answers;
    const struct exchange_record *ping =
        reduction_exchange(reduction, curve->exchange);
    char how_many[48] = "All";

    if (!is_one_gap(counts))
        return;
    if (counts->longest_run_count < counts->lost_count)
        (void) snprintf(how_many, sizeof(how_many), "%llu of the",
                        (unsigned long long) counts->longest_run_count);
    reduction_add_sentence(
        &reduction->doubts,
        "%s %llu echoes that were lost from %s to %s on step %s were sent one "
        "after the other, from %.1f to %.1f s after its start: the link stood "
        "still then.",
        how_many, (unsigned long long) counts->lost_count, ping->from, ping->to,
        ping->step, counts->longest_from_s, counts->longest_to_s);
}

static bool is_idle_ping(const struct exchange_record *exchange)
{
    return strcmp(exchange->kind->name, ping_kind.name) == 0
           && strcmp(exchange->condition, "idle") == 0
           && !exchange->bypass_signs;
}

void doubts_add_echoes(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (!is_idle_ping(exchange))
            continue;
        doubt_overtaking(reduction, exchange);
        doubt_times(reduction, exchange);
    }
    for (size_t i = 0; i < reduction->curves.count; i++) {
        const struct curve *curve = rows_at(&reduction->curves, i);

        if (curve->form == CURVE_ANSWERS && !curve->is_all_rounds
            && !curve->is_from_second
            && is_idle_ping(reduction_exchange(reduction, curve->exchange)))
            doubt_gap(reduction, curve);
    }
}
