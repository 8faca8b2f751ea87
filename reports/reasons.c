/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reasons.h"

#include <bothends/kinds.h>

static const double clock_step_ns = 50e6;
/* Above this, what a clock runs off by is a correction of its own. */
static const double clock_most_slew_ratio = 1000e-6;
/* Neighbour discovery and a late acknowledgement, in the silence. */
static const double quiet_least_bytes = 500;
static const double link_header_bytes = 14; /* Ethernet, as systems count it */
static const double foreign_share_ratio = 0.05;
/* Fewer than this share of what was planned is worth a doubt. */
static const double planned_least_ratio = 0.9;

/* --- what the doubts are told by ------------------------------------------ */

double reasons_clock_set_ns(const struct exchange_account *account)
{
    const double step_ns = (double) account->wall_minus_monotonic_ended_ns
                           - (double) account->wall_minus_monotonic_begun_ns;
    const double took_ns =
        account->ended_ns > account->begun_ns
            ? (double) (account->ended_ns - account->begun_ns)
            : 0;

    return fabs(step_ns) > clock_step_ns
                   && fabs(step_ns) > clock_most_slew_ratio * took_ns
               ? step_ns
               : 0;
}

double reasons_quiet_bytes(const struct exchange_account *account)
{
    const double bytes = (double) account->quiet_bytes
                         - (double) account->quiet_packets * link_header_bytes;

    return account->quiet_ns && bytes > quiet_least_bytes ? bytes : 0;
}

bool reasons_has_foreign(const struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const struct account_record *account,
                         struct foreign *ret_foreign)
{
    return foreign_weigh(reduction, exchange, account, ret_foreign)
           && ret_foreign->share_ratio >= foreign_share_ratio;
}

/* An exchange "until" ends when it is known well enough. */
static struct planned planned_probes(const struct exchange_record *exchange)
{
    const struct ping_spec *spec = (const void *) exchange->spec.bytes;
    const struct ping_outcome *outcome =
        (const void *) exchange->from_account.account.outcome.bytes;

    return (struct planned){ spec->within_ratio > 0 ? 0 : (double) spec->count,
                             (double) outcome->sent_count, "probes" };
}

static struct planned planned_stamps(const struct exchange_record *exchange)
{
    const struct timing_spec *spec = (const void *) exchange->spec.bytes;
    const struct timing_outcome *outcome =
        (const void *) exchange->from_account.account.outcome.bytes;

    return (struct planned){ spec->within_ratio > 0 ? 0 : (double) spec->count,
                             (double) outcome->sent_count, "probes" };
}

static struct planned planned_bytes(const struct exchange_record *exchange)
{
    const struct download_spec *spec = (const void *) exchange->spec.bytes;
    const struct download_outcome *outcome =
        (const void *) exchange->to_account.account.outcome.bytes;

    return (struct planned){ (double) spec->size_bytes,
                             (double) outcome->content_bytes, "bytes" };
}

/* Of the end that has sent fewer. */
static struct planned planned_messages(const struct exchange_record *exchange)
{
    const struct messages_spec *spec = (const void *) exchange->spec.bytes;
    const struct messages_outcome *first =
        (const void *) exchange->from_account.account.outcome.bytes;
    const struct messages_outcome *second =
        (const void *) exchange->to_account.account.outcome.bytes;
    double got = (double) first->sent_count;

    if (exchange->to_account.is_there)
        got = fmin(got, (double) second->sent_count);
    return (struct planned){ (double) spec->count, got, "messages" };
}

bool reasons_has_fewer(const struct exchange_record *exchange,
                       struct planned *ret_planned)
{
    const char *kind = exchange->kind->name;

    *ret_planned = (struct planned){ 0, 0, "" };
    if (!exchange->has_spec)
        return false;
    if (strcmp(kind, ping_kind.name) == 0 && exchange->from_account.is_there)
        *ret_planned = planned_probes(exchange);
    if (strcmp(kind, timing_kind.name) == 0 && exchange->from_account.is_there)
        *ret_planned = planned_stamps(exchange);
    if (strcmp(kind, download_kind.name) == 0 && exchange->to_account.is_there)
        *ret_planned = planned_bytes(exchange);
    if (strcmp(kind, messages_kind.name) == 0
        && exchange->from_account.is_there)
        *ret_planned = planned_messages(exchange);
    return ret_planned->wanted > 0
           && ret_planned->got < planned_least_ratio * ret_planned->wanted;
}

/* --- what each takes ------------------------------------------------------ */

enum takes {
    TAKES_BOTH,
    TAKES_SHORT, /* it can only have made the link look worse */
    TAKES_MEETS  /* the part that is missing may be the bad one */
};

/* The exchange, and one end's account of it: both are asked in turn. */
struct side {
    const struct reduction *reduction;
    const struct exchange_record *exchange;
    const struct account_record *account;
};

static bool slept(const struct side *side)
{
    return side->account->account.suspended_ns > 0;
}

static bool went_round(const struct side *side)
{
    return side->exchange->bypass_proofs || side->exchange->bypass_signs > 1;
}

static bool lost_time(const struct side *side)
{
    return side->reduction->run.lost_time;
}

static bool clock_was_set(const struct side *side)
{
    return reasons_clock_set_ns(&side->account->account) != 0;
}

static bool may_have_gone_round(const struct side *side)
{
    return side->exchange->bypass_signs > 0;
}

static bool was_not_idle(const struct side *side)
{
    return reasons_quiet_bytes(&side->account->account) > 0;
}

static bool has_foreign(const struct side *side)
{
    struct foreign foreign;

    return reasons_has_foreign(side->reduction, side->exchange, side->account,
                               &foreign);
}

static bool has_no_counters(const struct side *side)
{
    return foreign_is_unknown(&side->account->account);
}

static bool is_too_slow(const struct side *side)
{
    return side->exchange->is_slow_computer;
}

static bool ended_early(const struct side *side)
{
    const int state = side->account->account.state;
    struct planned planned;

    return state == ACCOUNT_STOPPED || state == ACCOUNT_CANCELLED
           || reasons_has_fewer(side->exchange, &planned);
}

/* The first that applies is told: the gravest first. */
static const struct {
    bool (*applies)(const struct side *side);
    enum takes takes;
    const char *why; /* "no verdict: " before it, the end in the place of %s */
} rules[] = {
    { slept, TAKES_BOTH, "the computer of %s slept meanwhile" },
    { went_round, TAKES_BOTH, "it did not cross the radio, or not all of it" },
    { lost_time, TAKES_BOTH, "the practice link did not keep time" },
    { clock_was_set, TAKES_BOTH,
      "the clock of %s was set meanwhile, or the computer stood still" },
    { may_have_gone_round, TAKES_BOTH, "the way was another one, or changed" },
    { has_foreign, TAKES_SHORT, "other traffic may have run at %s" },
    { was_not_idle, TAKES_SHORT, "the link was not idle at %s when it began" },
    { has_no_counters, TAKES_SHORT,
      "whether other traffic ran at %s is not known" },
    { is_too_slow, TAKES_SHORT, "it may be the computer's own limit" },
    { ended_early, TAKES_MEETS,
      "it ended before all was done that was planned" },
};

static bool takes_it(enum takes takes, int verdict)
{
    return takes == TAKES_BOTH
           || (takes == TAKES_SHORT && verdict == VERDICT_SHORT)
           || (takes == TAKES_MEETS && verdict == VERDICT_MEETS);
}

/* The end that the rule applies to; NULL: none. */
static const char *end_of(const struct reduction *reduction,
                          const struct exchange_record *exchange, size_t rule)
{
    const struct account_record *accounts[] = { &exchange->from_account,
                                                &exchange->to_account };

    for (size_t i = 0; i < COUNT_OF(accounts); i++) {
        const struct side side = { reduction, exchange, accounts[i] };

        if (accounts[i]->is_there && rules[rule].applies(&side))
            return accounts[i]->end;
    }
    return NULL;
}

bool reasons_against(const struct reduction *reduction,
                     const struct exchange_record *exchange, int verdict,
                     char *ret_why, size_t size)
{
    for (size_t i = 0; i < COUNT_OF(rules); i++) {
        const char *end = takes_it(rules[i].takes, verdict)
                              ? end_of(reduction, exchange, i)
                              : NULL;
        const char *place = strstr(rules[i].why, "%s");

        if (!end)
            continue;
        if (place)
            (void) snprintf(ret_why, size, "no verdict: %.*s%s%s",
                            (int) (place - rules[i].why), rules[i].why, end,
                            place + 2);
        else
            (void) snprintf(ret_why, size, "no verdict: %s", rules[i].why);
        return true;
    }
    return false;
}
