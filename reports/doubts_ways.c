/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/doubts_ways.h"

#include "reports/lookup.h"
#include "reports/reasons.h"
#include "reports/repeats.h"
#include "reports/timing_expect.h"
#include "reports/wording.h"

#include <bothends/kinds.h>
#include <stdio.h>

/* Signs that an exchange's traffic did not cross the radio.  One proof is
 * enough to say so, of other signs it takes two. */
struct bypass {
    unsigned proofs, signs;
    char text[260];
};

__attribute__((format(printf, 3, 4))) static void
add_sign(struct bypass *bypass, bool is_proof, const char *format, ...)
{
    const size_t used = strlen(bypass->text);
    char sign[160];
    va_list arguments;

    va_start(arguments, format);
    (void) vsnprintf(sign, sizeof(sign), format, arguments);
    va_end(arguments);
    (void) snprintf(bypass->text + used, sizeof(bypass->text) - used, "%s%s",
                    used ? "; " : "", sign);
    bypass->proofs += is_proof;
    bypass->signs++;
}

/* --- figures that no radio of the plan gives ------------------------------ */

/* Of all steps of the plan: a step other than stated is no bypass.  NaN: one of
 * them is not known. */
static double least_rtt_s(const struct reduction *reduction)
{
    double least_ns = (double) INFINITY;

    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const double low_ns = reduction->expectations[i].least_rtt_ns.low;

        if (isnan(low_ns))
            return (double) NAN;
        least_ns = fmin(least_ns, low_ns);
    }
    return least_ns * 1e-9;
}

/* The same for stamped probes: each way's airtime, for what the far end held a
 * reply is not in their round trip. */
static double least_stamped_s(const struct reduction *reduction,
                              const struct exchange_record *exchange)
{
    double least_s = (double) INFINITY;

    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const double floor_s = timing_floor_s(reduction, exchange, i);

        if (!(floor_s > 0))
            return (double) NAN;
        least_s = fmin(least_s, 2 * floor_s);
    }
    return least_s;
}

static double most_channel_bps(const struct reduction *reduction)
{
    double most_bps = 0;

    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const double high_bps = reduction->expectations[i].channel_bps.high;

        if (isnan(high_bps))
            return (double) NAN;
        most_bps = fmax(most_bps, high_bps);
    }
    return most_bps;
}

/* The only thing on the link, as far as it can be told. */
static bool is_alone(const struct reduction *reduction,
                     const struct exchange_record *exchange)
{
    const struct ping_outcome *outcome =
        (const void *) exchange->from_account.account.outcome.bytes;
    char why[160];

    return !exchange->overlaps && !outcome->lost_count
           && !reasons_against(reduction, exchange, VERDICT_SHORT, why,
                               sizeof(why));
}

double ways_least_echo_s(const struct reduction *reduction,
                         const struct exchange_record *exchange, double least_s)
{
    const struct range overhead_ns = reduction->plan->link.slot_overhead_ns;

    return is_alone(reduction, exchange) || !range_is_said(overhead_ns)
               ? least_s
               : fmax(0, least_s - 2e-9 * overhead_ns.high);
}

static void weigh_figures(const struct reduction *reduction,
                          const struct exchange_record *exchange,
                          struct bypass *bypass)
{
    const struct finding *echo =
        reduction_finding(reduction, exchange, "rtt_least");
    const struct finding *rtt =
        echo ? echo
             : reduction_finding(reduction, exchange, "rtt_stamped_least");
    const struct finding *goodput =
        reduction_finding(reduction, exchange, "goodput_whole");
    const double least_s =
        echo  ? ways_least_echo_s(reduction, exchange, least_rtt_s(reduction))
        : rtt ? least_stamped_s(reduction, exchange)
              : (double) NAN;
    const double most_bps = most_channel_bps(reduction);

    /* Without an expectation there the echo is not one across the air. */
    if (rtt && !isnan(rtt->expected_low) && rtt->value < 0.95 * least_s)
        add_sign(bypass, true,
                 "%s came back after %.1f ms, and no step of the plan "
                 "allows less than %.1f ms",
                 echo ? "an echo" : "a reply", rtt->value * 1e3, least_s * 1e3);
    if (goodput && most_bps > 0 && goodput->value > most_bps)
        add_sign(bypass, true,
                 "%.0f kbit/s came through, and no channel of the plan has "
                 "more than %.0f kbit/s",
                 goodput->value * 1e-3, most_bps * 1e-3);
}

/* --- ways ----------------------------------------------------------------- */

static struct contact_way_record *find_way(const struct rows *ways,
                                           const char *end, const char *to)
{
    for (size_t i = 0; i < ways->count; i++) {
        struct contact_way_record *way = rows_at(ways, i);

        if (strcmp(way->end, end) == 0 && strcmp(way->to, to) == 0)
            return way;
    }
    return NULL;
}

static void compare(char *changes, size_t size, const char *what,
                    const char *before, const char *now)
{
    const size_t used = strlen(changes);

    if (before[0] && now[0] && strcmp(before, now) != 0)
        (void) snprintf(changes + used, size - used, "%s%s %s → %s",
                        used ? ", " : "", what, before, now);
}

static void compare_ttl(char *changes, size_t size, uint64_t before,
                        uint64_t now)
{
    const size_t used = strlen(changes);

    if (before && now && before != now)
        (void) snprintf(changes + used, size - used, "%sTTL %u → %u",
                        used ? ", " : "", (unsigned) before, (unsigned) now);
}

static void keep(char *room, size_t size, const char *text)
{
    if (text[0])
        (void) snprintf(room, size, "%s", text);
}

/* ttl: of the answers that came to this end; 0: not known. */
static void weigh_way(struct reduction *reduction,
                      struct contact_records *contact,
                      const struct exchange_record *exchange,
                      const struct account_record *account, const char *to,
                      uint64_t ttl, struct bypass *bypass)
{
    const struct exchange_account *said = &account->account;
    struct contact_way_record *way = find_way(&contact->ways, account->end, to);
    char changes[200] = "";

    if (!way) {
        way = rows_add(&contact->ways);
        (void) snprintf(way->end, sizeof(way->end), "%s", account->end);
        (void) snprintf(way->to, sizeof(way->to), "%s", to);
    }
    compare(changes, sizeof(changes), "interface", way->interface,
            said->interface);
    compare(changes, sizeof(changes), "source address", way->source_address,
            said->source_address);
    compare(changes, sizeof(changes), "router", way->gateway, said->gateway);
    compare_ttl(changes, sizeof(changes), way->ttl, ttl);
    if (changes[0]) {
        reduction_add_sentence(
            &reduction->doubts,
            "The way from %s to %s was another one in the %s on step %s than "
            "before it: %s.",
            account->end, to, exchange->kind->name, exchange->step, changes);
        add_sign(bypass, false, "the way from %s had changed", account->end);
    }
    keep(way->interface, sizeof(way->interface),
         said->interface_after[0] ? said->interface_after : said->interface);
    keep(way->source_address, sizeof(way->source_address),
         said->source_address_after[0] ? said->source_address_after
                                       : said->source_address);
    keep(way->gateway, sizeof(way->gateway),
         said->gateway_after[0] ? said->gateway_after : said->gateway);
    way->ttl = ttl ? ttl : way->ttl;
}

static const struct plan_end *plan_end_of(const struct plan *plan,
                                          const char *name)
{
    const size_t end = plan_find_end(plan, name);

    return end < plan->end_count ? &plan->ends[end] : NULL;
}

static void weigh_interface(struct reduction *reduction,
                            const struct exchange_record *exchange,
                            const struct account_record *account,
                            struct bypass *bypass)
{
    const struct plan_end *end = plan_end_of(reduction->plan, account->end);
    const struct exchange_account *said = &account->account;
    const char *other =
        end && strcmp(said->interface, end->interface) != 0 ? said->interface : said->interface_after;

    if (!end || !end->interface[0] || !other[0]
        || strcmp(other, end->interface) == 0)
        return;
    reduction_add_sentence(&reduction->doubts,
                           "In the %s %s → %s on step %s the way of %s went by "
                           "%s, not by %s that the plan names.",
                           exchange->kind->name, exchange->from, exchange->to,
                           exchange->step, account->end, other, end->interface);
    add_sign(bypass, false, "the interface of %s was %s, not %s", account->end,
             other, end->interface);
}

static void weigh_ttl_within(struct reduction *reduction,
                             const struct exchange_record *exchange,
                             struct bypass *bypass)
{
    if (exchange->least_ttl == exchange->most_ttl)
        return;
    reduction_add_sentence(
        &reduction->doubts,
        "The answers in the %s %s → %s on step %s came with a TTL of %u to "
        "%u: they did not all take one way.",
        exchange->kind->name, exchange->from, exchange->to, exchange->step,
        (unsigned) exchange->least_ttl, (unsigned) exchange->most_ttl);
    add_sign(bypass, false, "the answers' TTL varied");
}

static void weigh_changes_within(const struct exchange_account *said,
                                 const char *end, struct bypass *bypass)
{
    char changes[200] = "";

    compare(changes, sizeof(changes), "interface", said->interface,
            said->interface_after);
    compare(changes, sizeof(changes), "source address", said->source_address,
            said->source_address_after);
    compare(changes, sizeof(changes), "router", said->gateway,
            said->gateway_after);
    if (changes[0])
        add_sign(bypass, false, "the way of %s changed meanwhile", end);
}

static void conclude(struct reduction *reduction,
                     struct exchange_record *exchange,
                     const struct bypass *bypass)
{
    exchange->bypass_proofs = bypass->proofs;
    exchange->bypass_signs = bypass->signs;
    if (bypass->proofs || bypass->signs > 1)
        reduction_add_sentence(
            &reduction->doubts,
            "The %s %s → %s on step %s did not cross the radio, or not all of "
            "it: %s.",
            exchange->kind->name, exchange->from, exchange->to, exchange->step,
            bypass->text);
}

void ways_weigh(struct reduction *reduction, struct contact_records *contact,
                struct exchange_record *exchange)
{
    const struct account_record *accounts[] = { &exchange->from_account,
                                                &exchange->to_account };
    struct bypass bypass = { 0 };

    weigh_figures(reduction, exchange, &bypass);
    for (size_t i = 0; i < COUNT_OF(accounts); i++) {
        if (!accounts[i]->is_there)
            continue;
        weigh_interface(reduction, exchange, accounts[i], &bypass);
        weigh_changes_within(&accounts[i]->account, accounts[i]->end, &bypass);
        weigh_way(reduction, contact, exchange, accounts[i],
                  i ? exchange->from : exchange->to, i ? 0 : exchange->most_ttl,
                  &bypass);
    }
    weigh_ttl_within(reduction, exchange, &bypass);
    conclude(reduction, exchange, &bypass);
}

/* --- what a probe saw holds for what ran beside it -------------------------
 */

static bool is_suspect_probe(const struct exchange_record *exchange)
{
    return (strcmp(exchange->kind->name, ping_kind.name) == 0
            || strcmp(exchange->kind->name, timing_kind.name) == 0)
           && exchange->bypass_signs;
}

/* Only probes tell a TTL: where it was another one, the data of that round
 * between the same ends may have gone another way too. */
void ways_pass_on(struct reduction *reduction)
{
    struct lookup suspects;

    lookup_init(&suspects);
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (is_suspect_probe(exchange))
            lookup_add(&suspects, repeats_key_beside(exchange), i);
    }
    lookup_sort(&suspects);
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        struct exchange_record *exchange = reduction_exchange(reduction, i);
        const struct lookup_found found =
            lookup_find(&suspects, repeats_key_beside(exchange));

        if (found.count && !exchange->bypass_signs
            && repeats_are_beside(
                exchange,
                reduction_exchange(reduction, found.entries[0].index)))
            exchange->bypass_signs = 1;
    }
    lookup_clear(&suspects);
}
