/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/doubts_weaken.h"

#include "reports/foreign.h"
#include "reports/lookup.h"
#include "reports/shortfall.h"

#include <bothends/kinds.h>

/* Fewer than this share of the planned probes or bytes is worth a doubt. */
static const double planned_least_ratio = 0.9;
/* The same silence as in doubts.c. */
static const double quiet_least_bytes = 500;

/* --- fewer than planned ----------------------------------------------------
 */

static void doubt_count(struct reduction *reduction,
                        const struct exchange_record *exchange, double planned,
                        double got, const char *what)
{
    if (planned <= 0 || got >= planned_least_ratio * planned)
        return;
    reduction_add_sentence(
        &reduction->doubts,
        "The %s %s → %s on step %s has fewer samples than planned: %.0f of "
        "%.0f %s.",
        exchange->kind->name, exchange->from, exchange->to, exchange->step, got,
        planned, what);
}

void doubts_add_counts(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);
        const struct ping_spec *ping = (const void *) exchange->spec.bytes;
        const struct download_spec *download =
            (const void *) exchange->spec.bytes;
        const void *from = exchange->from_account.account.outcome.bytes;
        const void *to = exchange->to_account.account.outcome.bytes;

        if (!exchange->has_spec)
            continue;
        if (strcmp(exchange->kind->name, ping_kind.name) == 0
            && exchange->from_account.is_there)
            doubt_count(
                reduction, exchange, (double) ping->count,
                (double) ((const struct ping_outcome *) from)->sent_count,
                "probes");
        if (strcmp(exchange->kind->name, download_kind.name) == 0
            && exchange->to_account.is_there)
            doubt_count(
                reduction, exchange, (double) download->size_bytes,
                (double) ((const struct download_outcome *) to)->content_bytes,
                "bytes");
    }
}

/* --- no verdict ------------------------------------------------------------
 */

static const struct account_record *
slept_in(const struct exchange_record *exchange)
{
    if (exchange->from_account.account.suspended_ns)
        return &exchange->from_account;
    return exchange->to_account.account.suspended_ns ? &exchange->to_account
                                                     : NULL;
}

/* False: nothing takes the verdict away. */
static bool reason_of(const struct reduction *reduction,
                      const struct exchange_record *exchange, char *ret_why,
                      size_t size)
{
    const struct account_record *slept = slept_in(exchange);

    if (slept)
        (void) snprintf(ret_why, size,
                        "no verdict: the computer of %s slept meanwhile",
                        slept->end);
    else if (exchange->bypass_proofs || exchange->bypass_signs > 1)
        (void) snprintf(ret_why, size,
                        "no verdict: it did not cross the radio, or not all "
                        "of it");
    else if (reduction->run.lost_time)
        (void) snprintf(ret_why, size,
                        "no verdict: the practice link did not keep time");
    else
        return false;
    return true;
}

/* Of what a finding over several exchanges is named by. */
static uint64_t key_of_names(const char *kind, const char *step,
                             const char *from, const char *to,
                             const char *condition)
{
    uint64_t key = lookup_text(LOOKUP_KEY, kind);

    key = lookup_text(key, step);
    key = lookup_text(key, from);
    key = lookup_text(key, to);
    return lookup_text(key, condition);
}

static uint64_t key_of_finding(const struct finding *finding)
{
    return finding->exchange[0]
               ? lookup_text(LOOKUP_KEY, finding->exchange)
               : key_of_names(finding->kind, finding->step, finding->from,
                              finding->to, finding->condition);
}

/* A finding of that exchange, or one over rounds that it is part of. */
static bool rests_on(const struct finding *finding,
                     const struct exchange_record *exchange)
{
    if (finding->exchange[0])
        return strcmp(finding->exchange, exchange->id) == 0;
    return strcmp(finding->kind, exchange->kind->name) == 0
           && strcmp(finding->step, exchange->step) == 0
           && strcmp(finding->from, exchange->from) == 0
           && strcmp(finding->to, exchange->to) == 0
           && strcmp(finding->condition, exchange->condition) == 0;
}

/* Exchanges that take verdicts away, by id and by names. */
static void find_doubted(const struct reduction *reduction,
                         struct lookup *doubted)
{
    char why[160];

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (!reason_of(reduction, exchange, why, sizeof(why)))
            continue;
        lookup_add(doubted, lookup_text(LOOKUP_KEY, exchange->id), i);
        lookup_add(doubted,
                   key_of_names(exchange->kind->name, exchange->step,
                                exchange->from, exchange->to,
                                exchange->condition),
                   i);
    }
    lookup_sort(doubted);
}

/* The first of them says why. */
static void weaken(const struct reduction *reduction,
                   const struct lookup *doubted, struct finding *finding)
{
    const struct lookup_found found =
        lookup_find(doubted, key_of_finding(finding));
    char why[160];

    for (size_t i = 0; i < found.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, found.entries[i].index);

        if (!rests_on(finding, exchange))
            continue;
        (void) reason_of(reduction, exchange, why, sizeof(why));
        finding->verdict = VERDICT_UNDECIDED;
        finding_set_why(finding, "%s", why);
        return;
    }
}

/* --- a qualified sentence --------------------------------------------------
 */

static bool is_doubted(const struct exchange_record *exchange,
                       const struct account_record *account)
{
    const struct exchange_account *said = &account->account;

    return account->is_there
           && (said->state != ACCOUNT_DONE || foreign_has_wrapped(said)
               || (double) said->quiet_bytes > quiet_least_bytes
               || exchange->bypass_signs);
}

static void qualify(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->shortfalls.count; i++) {
        struct shortfall *shortfall = rows_at(&reduction->shortfalls, i);
        const struct exchange_record *exchange =
            reduction_exchange(reduction, shortfall->exchange);
        const size_t used = strlen(shortfall->sentence);

        if (slept_in(exchange) || reduction->run.lost_time
            || is_doubted(exchange, &exchange->from_account)
            || is_doubted(exchange, &exchange->to_account))
            (void) snprintf(shortfall->sentence + used,
                            sizeof(shortfall->sentence) - used,
                            " The doubts about this download speak against "
                            "relying on it.");
    }
}

/* "Exceeds" stays: it is a trap told, not a claim. */
void doubts_weaken(struct reduction *reduction)
{
    struct lookup doubted;

    lookup_init(&doubted);
    find_doubted(reduction, &doubted);
    for (size_t i = 0; i < reduction->findings.count; i++) {
        struct finding *finding = rows_at(&reduction->findings, i);

        if (finding->verdict == VERDICT_MEETS
            || finding->verdict == VERDICT_SHORT)
            weaken(reduction, &doubted, finding);
    }
    lookup_clear(&doubted);
    qualify(reduction);
}
