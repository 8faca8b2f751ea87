/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/feeding.h"
#include "reports/reasons.h"

/*
 * What speaks against trusting the figures, from what every account says
 * whatever its kind: how it ended, clocks, the way taken, other traffic.
 */
/* What daemons and badly drifting crystals do to a clock without setting it. */
static const double clock_slew_ratio = 100e-6;
static const double clock_slew_least_ns = 1e6;

static void doubt_ending(struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const char *end, const struct account_record *account)
{
    const char *trouble = account->account.trouble;
    const int state = account->account.state;

    if (exchange->is_refused
        || (account->is_there && state == ACCOUNT_DONE && !trouble[0]))
        return;
    if (!account->is_there)
        reduction_add_sentence(
            &reduction->doubts,
            "The account of %s for the %s %s → %s on step %s never came; "
            "'bothends import' takes it from a memory stick.",
            end, exchange->kind->name, exchange->from, exchange->to,
            exchange->step);
    else if (state == ACCOUNT_DONE)
        reduction_add_sentence(
            &reduction->doubts,
            "The %s %s → %s on step %s was carried out, but %s tells: %s.",
            exchange->kind->name, exchange->from, exchange->to, exchange->step,
            end, trouble);
    else
        reduction_add_sentence(
            &reduction->doubts,
            "The %s %s → %s on step %s ended at %s as '%s'%s%s.",
            exchange->kind->name, exchange->from, exchange->to, exchange->step,
            end, account_states[state], trouble[0] ? ": " : "", trouble);
}

static double difference(uint64_t before, uint64_t after)
{
    return after > before ? (double) (after - before) : 0;
}

static void doubt_clock(struct reduction *reduction,
                        const struct exchange_record *exchange, const char *end,
                        const struct account_record *account)
{
    const struct exchange_account *said = &account->account;
    const double step_ns = (double) said->wall_minus_monotonic_ended_ns
                           - (double) said->wall_minus_monotonic_begun_ns;
    const double took_ns = difference(said->begun_ns, said->ended_ns);

    if (said->suspended_ns)
        reduction_add_sentence(
            &reduction->doubts,
            "The computer of %s slept for %.1f s during the %s %s → %s on "
            "step %s.",
            end, (double) said->suspended_ns * 1e-9, exchange->kind->name,
            exchange->from, exchange->to, exchange->step);
    else if (reasons_clock_set_ns(said) != 0)
        reduction_add_sentence(
            &reduction->doubts,
            "The wall clock of %s was set by %+.3f s during the %s %s → %s on "
            "step %s; intervals come from the monotonic clock, and stamps of "
            "the kernel that did not fit were left out.",
            end, step_ns * 1e-9, exchange->kind->name, exchange->from,
            exchange->to, exchange->step);
    else if (took_ns > 0 && fabs(step_ns) > clock_slew_least_ns
             && fabs(step_ns) > clock_slew_ratio * took_ns)
        reduction_add_sentence(
            &reduction->doubts,
            "The wall clock of %s ran off by %+.1f ms (%+.0f ppm) during the "
            "%s %s → %s on step %s: it is being corrected slowly. Intervals "
            "come from the monotonic clock.",
            end, step_ns * 1e-6, 1e6 * step_ns / took_ns, exchange->kind->name,
            exchange->from, exchange->to, exchange->step);
}

static void doubt_change(struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const char *end, const char *what, const char *before,
                         const char *after)
{
    if (before[0] && after[0] && strcmp(before, after) != 0)
        reduction_add_sentence(
            &reduction->doubts,
            "The %s of %s changed from %s to %s during the %s %s → %s on step "
            "%s: part of the traffic may have gone another way.",
            what, end, before, after, exchange->kind->name, exchange->from,
            exchange->to, exchange->step);
}

static void doubt_foreign_traffic(struct reduction *reduction,
                                  const struct exchange_record *exchange,
                                  const char *end,
                                  const struct account_record *account)
{
    struct foreign foreign;

    if (foreign_has_wrapped(&account->account))
        reduction_add_sentence(
            &reduction->methods,
            "The interface counters of %s, of 32 bits, began anew during the "
            "%s %s → %s on step %s, and were counted on.",
            end, exchange->kind->name, exchange->from, exchange->to,
            exchange->step);
    if (foreign_is_unknown(&account->account)) {
        reduction_add_sentence(
            &reduction->doubts,
            "The interface counters of %s went backwards during the %s %s → %s "
            "on step %s (the interface was made anew, or they wrapped): "
            "whether other traffic ran is not known.",
            end, exchange->kind->name, exchange->from, exchange->to,
            exchange->step);
        return;
    }
    if (!reasons_has_foreign(reduction, exchange, account, &foreign))
        return;
    reduction_add_sentence(
        &reduction->doubts,
        "During the %s %s → %s on step %s the interface of %s carried at least "
        "%.1f kB more than what was sent on purpose (%.0f %% of all): other "
        "traffic, or more repeats than TCP told.",
        exchange->kind->name, exchange->from, exchange->to, exchange->step, end,
        foreign.bytes * 1e-3, 100 * foreign.share_ratio);
}

static void doubt_silence(struct reduction *reduction,
                          const struct exchange_record *exchange,
                          const char *end, const struct account_record *account)
{
    const struct exchange_account *said = &account->account;
    const double bytes = reasons_quiet_bytes(said);

    if (bytes > 0)
        reduction_add_sentence(
            &reduction->doubts,
            "The link was not idle when the %s %s → %s on step %s began: in "
            "the %.1f s before it the interface of %s carried %.1f kB (%.1f "
            "kbit/s) that is not ours.",
            exchange->kind->name, exchange->from, exchange->to, exchange->step,
            (double) said->quiet_ns * 1e-9, end, bytes * 1e-3,
            bytes * BITS_PER_BYTE * 1e6 / (double) said->quiet_ns);
}

/* The answer to an order was lost: that end began, and the other one was told a
 * later start. */
static void doubt_start(struct reduction *reduction,
                        const struct exchange_record *exchange)
{
    const struct account_record *from = &exchange->from_account;
    const struct account_record *to = &exchange->to_account;
    const double later_s =
        (double) (feeding_late_ns(to) - feeding_late_ns(from)) * 1e-9;

    if (from->is_there && to->is_there
        && fabs(later_s) * 1e9 > (double) FEEDING_AMISS_NS)
        reduction_add_sentence(
            &reduction->doubts,
            "The ends of the %s %s → %s on step %s did not begin at once: %s "
            "began %.1f s before the other one, and did not hear of the later "
            "start in time.",
            exchange->kind->name, exchange->from, exchange->to, exchange->step,
            later_s > 0 ? exchange->from : exchange->to, fabs(later_s));
}

static void doubt_account(struct reduction *reduction,
                          const struct exchange_record *exchange,
                          const char *end, const struct account_record *account)
{
    const struct exchange_account *said = &account->account;

    doubt_ending(reduction, exchange, end, account);
    if (!account->is_there)
        return;
    doubt_clock(reduction, exchange, end, account);
    doubt_change(reduction, exchange, end, "interface", said->interface,
                 said->interface_after);
    doubt_change(reduction, exchange, end, "source address",
                 said->source_address, said->source_address_after);
    doubt_change(reduction, exchange, end, "next router", said->gateway,
                 said->gateway_after);
    doubt_silence(reduction, exchange, end, account);
    doubt_foreign_traffic(reduction, exchange, end, account);
}

/* Of others no account is to come. */
static bool is_end_with_agent(const struct plan *plan, const char *name)
{
    const size_t end = plan_find_end(plan, name);

    return end < plan->end_count && plan_has_agent(plan, (int) end);
}

void doubts_add(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        doubt_start(reduction, exchange);
        if (is_end_with_agent(reduction->plan, exchange->from))
            doubt_account(reduction, exchange, exchange->from,
                          &exchange->from_account);
        if (is_end_with_agent(reduction->plan, exchange->to))
            doubt_account(reduction, exchange, exchange->to,
                          &exchange->to_account);
    }
    if (reduction->run.state[0]
        && strcmp(reduction->run.state, "complete") != 0)
        reduction_add_sentence(
            &reduction->doubts, "The run is not complete (%s)%s.",
            reduction->run.state,
            reduction->run.is_practice ? ""
                                       : ": 'bothends resume' goes on with it");
}
