/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_doubts.h"

#include "reports/timing_expect.h"

#include <bothends/kinds/timing.h>

/* Of the clocks' drift over the record: less is lost among the delays. */
static const double drift_told_s = 1e-3;

static void doubt_refused(struct reduction *reduction,
                          const struct exchange_record *exchange,
                          uint64_t count, const char *what, const char *end)
{
    if (count)
        reduction_add_sentence(
            &reduction->doubts,
            "The system of %s refused to send %llu of the %s in the timing %s "
            "→ %s on step %s; they are not counted.",
            end, (unsigned long long) count, what, exchange->from, exchange->to,
            exchange->step);
}

static const struct timing_outcome *
outcome_of(const struct account_record *account)
{
    return (const void *) account->account.outcome.bytes;
}

/* Packets that claim to be of the exchange, and are not. */
static void doubt_strangers(struct reduction *reduction,
                            const struct exchange_record *exchange)
{
    const struct account_record *accounts[] = { &exchange->from_account,
                                                &exchange->to_account };
    for (size_t i = 0; i < COUNT_OF(accounts); i++) {
        const struct timing_outcome *outcome = outcome_of(accounts[i]);
        const uint64_t count = outcome->malformed_count + outcome->forged_count
                               + outcome->foreign_count;

        if (count)
            reduction_add_sentence(
                &reduction->doubts,
                "%s dropped %llu packets that bore the mark of the timing %s → "
                "%s on step %s and were not of it: damaged, or a stranger's.",
                i ? exchange->to : exchange->from, (unsigned long long) count,
                exchange->from, exchange->to, exchange->step);
    }
}

/* By the airtime of what was sent alone, without what each transmission costs:
 * then packets queue up whatever the link is. */
static void doubt_own_load(struct reduction *reduction,
                           const struct exchange_record *exchange,
                           double span_s)
{
    const bool is_shared = reduction->plan->link.access != ACCESS_FULL_DUPLEX;
    const struct timing_outcome *near = outcome_of(&exchange->from_account);
    const struct timing_outcome *far = outcome_of(&exchange->to_account);
    const uint64_t replies_count = near->answered_count > far->replied_count
                                       ? near->answered_count
                                       : far->replied_count;
    const double airtime_s =
        (double) (near->sent_count + (is_shared ? replies_count : 0))
        * timing_floor_s(reduction, exchange, exchange->step_index);

    if (span_s > 0 && airtime_s > span_s)
        reduction_add_sentence(
            &reduction->doubts,
            "The stamped packets of the timing %s → %s on step %s%s need %.0f "
            "s on the air, and were sent within %.0f s: they wait and are lost "
            "in their own queue. Larger gaps or smaller packets show the link.",
            exchange->from, exchange->to, exchange->step,
            is_shared ? ", replies included," : "", airtime_s, span_s);
}

static void doubt_clocks(struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const struct one_way *delays)
{
    if (delays->has_slept)
        reduction_add_sentence(
            &reduction->doubts,
            "A computer slept during the timing %s → %s on step %s, and its "
            "clock stood still: nothing is said of the delay of each way.",
            exchange->from, exchange->to, exchange->step);
    else if (delays->has_moved)
        reduction_add_sentence(
            &reduction->doubts,
            "In the timing %s → %s on step %s the quickest packets would have "
            "taken %.1f ms there and back together, which cannot be: a clock "
            "was set or stood still meanwhile. Nothing is said of the delay of "
            "each way.",
            exchange->from, exchange->to, exchange->step,
            delays->least_sum_s * 1e3);
    else if (delays->is_quick)
        reduction_add_sentence(
            &reduction->doubts,
            "The quickest stamped packets between %s and %s on step %s were "
            "back sooner than this radio allows: they went round it, or the "
            "step is not the one stated. The delay of each way is given "
            "without its least by the step.",
            exchange->from, exchange->to, exchange->step);
}

/* Every exchange of which a delay is known says what was done about its clocks.
 */
static void tell_clocks(struct reduction *reduction,
                        const struct exchange_record *exchange,
                        const struct one_way *delays)
{
    const bool has_delays =
        delays->ways[WAY_THERE].is_there || delays->ways[WAY_BACK].is_there;

    if (delays->has_moved || !has_delays)
        return;
    if (delays->pair.is_skew_shown)
        reduction_add_sentence(
            &reduction->methods,
            "Timing %s → %s on step %s, round %llu: the clock of %s ran %.1f "
            "ppm %s than that of %s (± %.1f), which was taken off.",
            exchange->from, exchange->to, exchange->step,
            (unsigned long long) exchange->round, exchange->to,
            fabs(delays->pair.skew_ratio) * 1e6,
            delays->pair.skew_ratio < 0 ? "slower" : "faster", exchange->from,
            delays->pair.drift_most_ratio * 1e6);
    else if (delays->drift_s >= drift_told_s)
        reduction_add_sentence(
            &reduction->methods,
            "Timing %s → %s on step %s, round %llu: no drift of the two clocks "
            "is shown; over its %.0f s they may have drifted apart by %.1f ms "
            "all the same.",
            exchange->from, exchange->to, exchange->step,
            (unsigned long long) exchange->round, delays->span_s,
            delays->drift_s * 1e3);
}

void timing_add_doubts(struct reduction *reduction,
                       const struct exchange_record *exchange,
                       const struct one_way *delays)
{
    doubt_refused(reduction, exchange,
                  outcome_of(&exchange->from_account)->unsent_count, "probes",
                  exchange->from);
    doubt_refused(reduction, exchange,
                  outcome_of(&exchange->to_account)->unreplied_count, "replies",
                  exchange->to);
    doubt_strangers(reduction, exchange);
    doubt_own_load(reduction, exchange, delays->span_s);
    doubt_clocks(reduction, exchange, delays);
    tell_clocks(reduction, exchange, delays);
}

void timing_tell_near(struct reduction *reduction,
                      const struct exchange_record *exchange,
                      const struct crossings *crossings)
{
    char why[160], untold[120] = "";

    (void) reduction_is_account_missing(&exchange->to_account, exchange->to,
                                        why, sizeof(why));
    if (crossings->untold_count)
        (void) snprintf(untold, sizeof(untold),
                        "; on which way the last %zu probes were lost, nothing "
                        "tells",
                        crossings->untold_count);
    reduction_add_sentence(
        &reduction->doubts,
        "Timing %s → %s on step %s: %s. What became of each packet is told "
        "from what %s got back, by the numbers and stamps of the replies%s.",
        exchange->from, exchange->to, exchange->step, why, exchange->from,
        untold);
}
