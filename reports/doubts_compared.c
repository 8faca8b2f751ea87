/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/doubts_compared.h"

#include "reports/doubts_ways.h"
#include "reports/wording.h"

#include <stdio.h>

/* Below this share of what the computer moves over loopback, it is not what
 * holds the link back. */
static const double computer_share_ratio = 0.5;
/* A clock that runs off by more than this between two exchanges was set: a
 * crystal is off by 100 ppm at the most, and daemons slew by 500 ppm. */
static const double clock_drift_ratio = 600e-6;
static const double clock_least_ns = 50e6;

/* --- clocks from one exchange to the next --------------------------------- */

/* Each end's last account so far. */
struct last_accounts {
    const struct account_record *accounts[2 * PLAN_ENDS_MAX];
    size_t count;
};

/* Its place; the count: none of that end. */
static size_t place_of(const struct last_accounts *last, const char *end)
{
    size_t i = 0;

    while (i < last->count && strcmp(last->accounts[i]->end, end) != 0)
        i++;
    return i;
}

static void keep_last(struct last_accounts *last,
                      const struct account_record *account)
{
    const size_t place = place_of(last, account->end);

    if (!account->is_there || place == COUNT_OF(last->accounts))
        return;
    last->accounts[place] = account;
    last->count += place == last->count;
}

static void doubt_clock_between(struct reduction *reduction,
                                const struct exchange_record *record,
                                const struct account_record *account,
                                const struct last_accounts *last)
{
    const size_t place = place_of(last, account->end);
    const struct account_record *earlier =
        place < last->count ? last->accounts[place] : NULL;

    if (!account->is_there || !earlier
        || !account->account.wall_minus_monotonic_begun_ns
        || !earlier->account.wall_minus_monotonic_ended_ns)
        return;
    const double step_ns =
        (double) account->account.wall_minus_monotonic_begun_ns
        - (double) earlier->account.wall_minus_monotonic_ended_ns;
    const double passed_ns = fabs((double) account->account.begun_ns
                                  - (double) earlier->account.ended_ns);

    if (fabs(step_ns) > clock_least_ns + clock_drift_ratio * passed_ns)
        reduction_add_sentence(
            &reduction->doubts,
            "Before the %s %s → %s on step %s the wall clock of %s was set by "
            "%+.3f s, or the computer slept or was started anew.",
            record->kind->name, record->from, record->to, record->step,
            account->end, step_ns * 1e-9);
}

/* --- the computer --------------------------------------------------------- */

static void tell_loopback(struct reduction *reduction,
                          const struct contact_records *contact)
{
    char text[300] = "";

    for (size_t i = 0; i < contact->ends.count; i++) {
        const struct contact_end *end = rows_at(&contact->ends, i);
        const size_t used = strlen(text);
        char rate[FIGURE_SIZE];

        const bool is_giga = end->loopback_bps >= 1e9;

        wording_significant(end->loopback_bps * (is_giga ? 1e-9 : 1e-6), 2,
                            rate);
        if (end->loopback_bps > 0)
            (void) snprintf(text + used, sizeof(text) - used, "%s%s %s %cbit/s",
                            used ? ", " : "", end->end, rate,
                            is_giga ? 'G' : 'M');
    }
    if (text[0])
        reduction_add_sentence(
            &reduction->methods,
            "What the computers alone can do, by a short TCP transfer of each "
            "agent to itself: %s.",
            text);
}

static void doubt_computer(struct reduction *reduction,
                           const struct contact_records *contact,
                           struct exchange_record *exchange)
{
    const struct finding *goodput =
        reduction_finding(reduction, exchange, "goodput_whole");

    for (size_t i = 0; goodput && i < contact->ends.count; i++) {
        const struct contact_end *end = rows_at(&contact->ends, i);

        if ((strcmp(end->end, exchange->from) != 0
             && strcmp(end->end, exchange->to) != 0)
            || end->loopback_bps <= 0
            || goodput->value < computer_share_ratio * end->loopback_bps)
            continue;
        exchange->is_slow_computer = true;
        reduction_add_sentence(
            &reduction->doubts,
            "The goodput %s → %s on step %s is %.0f %% of what the computer "
            "of %s moves without any link: it may be the computer that was "
            "measured.",
            exchange->from, exchange->to, exchange->step,
            100 * goodput->value / end->loopback_bps, end->end);
    }
}

int doubts_add_compared(struct reduction *reduction, struct fault *fault)
{
    struct contact_records contact;
    struct last_accounts last = { 0 };
    const int code = contact_records_load(reduction->logbook,
                                          reduction->run.run, &contact, fault);

    if (!code)
        tell_loopback(reduction, &contact);
    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        struct exchange_record *exchange = reduction_exchange(reduction, i);

        doubt_clock_between(reduction, exchange, &exchange->from_account,
                            &last);
        doubt_clock_between(reduction, exchange, &exchange->to_account, &last);
        keep_last(&last, &exchange->to_account);
        keep_last(&last, &exchange->from_account);
        ways_weigh(reduction, &contact, exchange);
        doubt_computer(reduction, &contact, exchange);
    }
    ways_pass_on(reduction);
    contact_records_clear(&contact);
    return code;
}
