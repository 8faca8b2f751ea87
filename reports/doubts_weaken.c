/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/doubts_weaken.h"

#include "reports/lookup.h"
#include "reports/reasons.h"
#include "reports/shortfall.h"

#include <bothends/kinds.h>

/* --- fewer than planned ----------------------------------------------------
 */

void doubts_add_counts(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);
        struct planned planned;

        if (reasons_has_fewer(exchange, &planned))
            reduction_add_sentence(
                &reduction->doubts,
                "The %s %s → %s on step %s has fewer samples than planned: "
                "%.0f of %.0f %s.",
                exchange->kind->name, exchange->from, exchange->to,
                exchange->step, planned.got, planned.wanted, planned.what);
    }
}

/* --- no verdict ------------------------------------------------------------
 */

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

/* Of messages the second end's findings bear the names the other way round. */
static bool has_ends(const struct finding *finding, const char *from,
                     const char *to)
{
    return strcmp(finding->from, from) == 0 && strcmp(finding->to, to) == 0;
}

/* A finding of that exchange, or one over rounds that it is part of. */
static bool rests_on(const struct finding *finding,
                     const struct exchange_record *exchange)
{
    if (finding->exchange[0])
        return strcmp(finding->exchange, exchange->id) == 0;
    return strcmp(finding->kind, exchange->kind->name) == 0
           && strcmp(finding->step, exchange->step) == 0
           && (has_ends(finding, exchange->from, exchange->to)
               || (exchange->kind->uses_between
                   && has_ends(finding, exchange->to, exchange->from)))
           && strcmp(finding->condition, exchange->condition) == 0;
}

static void add_names(struct lookup *doubted,
                      const struct exchange_record *exchange, size_t index,
                      const char *from, const char *to)
{
    lookup_add(doubted,
               key_of_names(exchange->kind->name, exchange->step, from, to,
                            exchange->condition),
               index);
}

static bool is_doubted_at_all(const struct reduction *reduction,
                              const struct exchange_record *exchange)
{
    char why[160];

    return reasons_against(reduction, exchange, VERDICT_MEETS, why, sizeof(why))
           || reasons_against(reduction, exchange, VERDICT_SHORT, why,
                              sizeof(why));
}

/* Exchanges that take verdicts away, by id and by names. */
static void find_doubted(const struct reduction *reduction,
                         struct lookup *doubted)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (!is_doubted_at_all(reduction, exchange))
            continue;
        lookup_add(doubted, lookup_text(LOOKUP_KEY, exchange->id), i);
        add_names(doubted, exchange, i, exchange->from, exchange->to);
        if (exchange->kind->uses_between)
            add_names(doubted, exchange, i, exchange->to, exchange->from);
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

        if (!rests_on(finding, exchange)
            || !reasons_against(reduction, exchange, finding->verdict, why,
                                sizeof(why)))
            continue;
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
           && (said->state != ACCOUNT_DONE || said->suspended_ns
               || foreign_is_unknown(said) || reasons_quiet_bytes(said) > 0
               || reasons_clock_set_ns(said) != 0 || exchange->bypass_signs);
}

static void qualify(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->shortfalls.count; i++) {
        struct shortfall *shortfall = rows_at(&reduction->shortfalls, i);
        const struct exchange_record *exchange =
            reduction_exchange(reduction, shortfall->exchange);
        const size_t used = strlen(shortfall->sentence);

        if (reduction->run.lost_time
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
