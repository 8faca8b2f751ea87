/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_facts.h"

#include "reports/reach.h"

static bool is_alone(const struct finding *finding)
{
    return !finding->condition[0] || strcmp(finding->condition, "idle") == 0;
}

static bool is_same_way(const struct finding *a, const struct finding *b)
{
    return strcmp(a->step, b->step) == 0 && strcmp(a->from, b->from) == 0
           && strcmp(a->to, b->to) == 0;
}

bool newsletter_arrived(const struct finding *way)
{
    return !isnan(way->value) && way->value > 0;
}

bool newsletter_is_dead(const struct finding *way)
{
    return isnan(way->value) ? strcmp(way->why, NOTHING_ARRIVED) == 0
                             : !(way->value > 0);
}

/* --- ways ----------------------------------------------------------------- */

static bool has_way(const struct rows *ways, const struct finding *finding)
{
    for (size_t i = 0; i < ways->count; i++) {
        if (is_same_way(rows_at(ways, i), finding))
            return true;
    }
    return false;
}

/* The steady goodput, or in its place that of the whole transfer. */
static struct finding way_of(const struct rows *wholes,
                             const struct finding *steady)
{
    struct finding way = *steady;

    for (size_t i = 0; isnan(way.value) && i < wholes->count; i++) {
        const struct finding *whole = rows_at(wholes, i);

        if (!is_same_way(whole, steady) || !is_alone(whole))
            continue;
        if (!isnan(whole->value))
            return *whole;
        (void) snprintf(way.why, sizeof(way.why), "%s", whole->why);
    }
    return way;
}

static struct rows find_ways(const struct reduction *reduction)
{
    struct rows steadies = wording_table(reduction, "goodput_steady");
    struct rows wholes = wording_table(reduction, "goodput_whole");
    struct rows ways = { .row_size = sizeof(struct finding) };

    for (size_t i = 0; i < steadies.count; i++) {
        const struct finding *steady = rows_at(&steadies, i);

        if (is_alone(steady) && !has_way(&ways, steady))
            *(struct finding *) rows_add(&ways) = way_of(&wholes, steady);
    }
    rows_clear(&steadies);
    rows_clear(&wholes);
    return ways;
}

size_t newsletter_count_stations(const struct plan *plan,
                                 const struct rows *ways)
{
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];
        bool is_there = false;

        for (size_t k = 0; k < ways->count; k++) {
            const struct finding *way = rows_at(ways, k);

            is_there = is_there || strcmp(way->from, end->name) == 0
                       || strcmp(way->to, end->name) == 0;
        }
        count += is_there && end->role == ROLE_STATION;
    }
    return count;
}

static size_t count_steps(const struct rows *ways)
{
    const char *before = NULL;
    size_t count = 0;

    /* The table goes step by step. */
    for (size_t i = 0; ways->data && i < ways->count; i++) {
        const struct finding *way = rows_at(ways, i);

        if (!before || strcmp(before, way->step) != 0)
            count++;
        before = way->step;
    }
    return count;
}

static bool is_both_ways(const struct rows *ways)
{
    for (size_t i = 0; ways->data && i < ways->count; i++) {
        const struct finding *a = rows_at(ways, i);

        for (size_t k = 0; k < i; k++) {
            const struct finding *b = rows_at(ways, k);

            if (strcmp(a->from, b->to) == 0 && strcmp(a->to, b->from) == 0)
                return true;
        }
    }
    return false;
}

/* --- pings and messages --------------------------------------------------- */

/* What ran beside a download tells of the download: those that were alone,
 * where there are such. */
static struct rows alone_of(const struct reduction *reduction,
                            const char *measure)
{
    struct rows table = wording_table(reduction, measure);
    struct rows alone = { .row_size = sizeof(struct finding) };

    for (size_t i = 0; i < table.count; i++) {
        if (is_alone(rows_at(&table, i)))
            *(struct finding *) rows_add(&alone) =
                *(const struct finding *) rows_at(&table, i);
    }
    if (!alone.count)
        return table;
    rows_clear(&table);
    return alone;
}

static void append_rows(struct rows *table, const struct rows *more)
{
    for (size_t i = 0; i < more->count; i++)
        *(struct finding *) rows_add(table) =
            *(const struct finding *) rows_at(more, i);
}

/* Beside downloads much is lost in full queues: that is no link's fault. */
static bool has_idle(const struct rows *losses)
{
    for (size_t i = 0; i < losses->count; i++) {
        if (!wording_is_loaded(
                ((const struct finding *) rows_at(losses, i))->condition))
            return true;
    }
    return false;
}

static struct tally tally_of(const struct rows *losses)
{
    const bool is_idle_only = has_idle(losses);
    struct tally tally = { 0 };

    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *loss = rows_at(losses, i);

        if (isnan(loss->value)
            || (is_idle_only && wording_is_loaded(loss->condition)))
            continue;
        tally.sent_count += loss->samples_count;
        tally.lost_count += loss->value * (double) loss->samples_count;
    }
    tally.lost_count = round(tally.lost_count);
    return tally;
}

static void find_kinds(const struct reduction *reduction,
                       struct newsletter_facts *facts)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const char *name = reduction_exchange(reduction, i)->kind->name;

        facts->has_pings |=
            strcmp(name, "ping") == 0 || strcmp(name, "timing") == 0;
        facts->has_downloads |= strcmp(name, "download") == 0;
        facts->has_messages |= strcmp(name, "messages") == 0;
    }
}

static void find_sites(const struct plan *plan, struct newsletter_facts *facts)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];

        facts->agent_count += end->agent == AGENT_RUNS;
        facts->station_count +=
            plan_end_is_site(end) && end->role == ROLE_STATION;
    }
}

/* --- all together --------------------------------------------------------- */

static bool has_any_arrived(const struct newsletter_facts *facts)
{
    for (size_t i = 0; i < facts->ways.count; i++) {
        if (newsletter_arrived(rows_at(&facts->ways, i)))
            return true;
    }
    return (double) facts->echoes.sent_count > facts->echoes.lost_count
           || (double) facts->messages.sent_count > facts->messages.lost_count;
}

typedef bool way_fn(const struct finding *way);

static bool is_any_way(const struct rows *ways, way_fn *is_so)
{
    for (size_t i = 0; i < ways->count; i++) {
        if (is_so(rows_at(ways, i)))
            return true;
    }
    return false;
}

static bool is_unknown(const struct finding *way)
{
    return !newsletter_arrived(way) && !newsletter_is_dead(way);
}

/* Of ways on which data came, by their verdicts. */
static enum outcome outcome_of_ways(const struct newsletter_facts *facts)
{
    const struct verdict_counts *counts = &facts->counts;
    const bool is_any_dead = is_any_way(&facts->ways, newsletter_is_dead);

    if (counts->exceeds)
        return OUTCOME_SUSPECT;
    if (counts->meets && counts->meets == facts->ways.count)
        return OUTCOME_WORKS;
    if (counts->meets
        && (counts->is_short || is_any_dead
            || is_any_way(&facts->ways, is_unknown)))
        return OUTCOME_PARTLY;
    if (counts->is_short)
        return OUTCOME_SHORT;
    if (is_any_dead)
        return OUTCOME_GAPS;
    return counts->undecided ? OUTCOME_UNDECIDED : OUTCOME_MEASURED;
}

static enum outcome outcome_of(const struct newsletter_facts *facts)
{
    if (!facts->ways.count && !facts->echoes.sent_count
        && !facts->messages.sent_count)
        return OUTCOME_NOTHING;
    if (facts->reduction->run.lost_time)
        return OUTCOME_LATE;
    if (!has_any_arrived(facts))
        return OUTCOME_DEAD;
    if (is_any_way(&facts->ways, newsletter_arrived))
        return outcome_of_ways(facts);
    if (facts->ways.count)
        return is_any_way(&facts->ways, is_unknown) ? OUTCOME_OPEN
                                                    : OUTCOME_NO_DATA;
    return reach_has_break(facts->reduction) ? OUTCOME_BREAK : OUTCOME_ECHOES;
}

void newsletter_facts_find(const struct reduction *reduction,
                           struct newsletter_facts *ret_facts)
{
    struct rows unconfirmed = alone_of(reduction, "unconfirmed");
    struct rows stamped = alone_of(reduction, "rtt_stamped_loss");

    *ret_facts = (struct newsletter_facts){
        .reduction = reduction,
        .ways = find_ways(reduction),
        .losses = alone_of(reduction, "loss"),
        .messages = tally_of(&unconfirmed),
        .is_cut_off = strcmp(reduction->run.state, "complete") != 0,
    };
    rows_clear(&unconfirmed);
    append_rows(&ret_facts->losses, &stamped);
    rows_clear(&stamped);
    ret_facts->echoes = tally_of(&ret_facts->losses);
    ret_facts->counts = wording_counts(&ret_facts->ways);
    ret_facts->step_count = count_steps(&ret_facts->ways);
    ret_facts->is_both_ways = is_both_ways(&ret_facts->ways);
    find_kinds(reduction, ret_facts);
    find_sites(reduction->plan, ret_facts);
    ret_facts->outcome = outcome_of(ret_facts);
}

void newsletter_facts_clear(struct newsletter_facts *facts)
{
    rows_clear(&facts->ways);
    rows_clear(&facts->losses);
}
