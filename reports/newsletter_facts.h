/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_NEWSLETTER_FACTS_H
#define REPORTS_NEWSLETTER_FACTS_H

#include "reports/wording.h"

/*
 * What the newsletter says of a run, before it is put into words: what the
 * verdicts come to when taken together, and the few figures it gives.
 */
enum outcome {
    OUTCOME_NOTHING,   /* no exchange was measured */
    OUTCOME_LATE,      /* a practice link that did not keep time */
    OUTCOME_DEAD,      /* tried, and nothing came through */
    OUTCOME_ECHOES,    /* only pings or messages, and answers came */
    OUTCOME_BREAK,     /* ... but not from the end of the ladder */
    OUTCOME_OPEN,      /* ... but what downloads brought is not known */
    OUTCOME_NO_DATA,   /* ... but no download brought anything */
    OUTCOME_MEASURED,  /* data came, nothing to hold the figure against */
    OUTCOME_GAPS,      /* data came, on some way nothing; none short */
    OUTCOME_WORKS,     /* every way meets */
    OUTCOME_PARTLY,    /* some meet, some are short or missing */
    OUTCOME_SHORT,     /* data come, no way meets, some are short */
    OUTCOME_UNDECIDED, /* none short, some undecided */
    OUTCOME_SUSPECT,   /* more than is possible */
};

struct tally {
    uint64_t sent_count;
    double lost_count;
};

struct newsletter_facts {
    const struct reduction *reduction; /* borrowed */
    enum outcome outcome;
    struct verdict_counts counts;
    /* One finding a way and step, alone on the link: the steady goodput, or
     * that of the whole transfer; why is that of the whole transfer. */
    struct rows ways;
    struct rows losses; /* of pings and stamped probes, as in the report's
                           tables */
    struct tally echoes, messages;
    size_t station_count, agent_count, step_count; /* of ways */
    bool has_pings, has_downloads, has_messages, is_both_ways, is_cut_off;
};

void newsletter_facts_find(const struct reduction *reduction,
                           struct newsletter_facts *ret_facts);
void newsletter_facts_clear(struct newsletter_facts *facts);

/* How many stations send or receive there? */
size_t newsletter_count_stations(const struct plan *plan,
                                 const struct rows *ways);

/* Figures that mean nothing are not given. */
static inline bool newsletter_has_figures(const struct newsletter_facts *facts)
{
    return facts->outcome != OUTCOME_LATE && facts->outcome != OUTCOME_SUSPECT;
}

/* Did anything arrive that way?  If not, is it certain? */
bool newsletter_arrived(const struct finding *way);
bool newsletter_is_dead(const struct finding *way);

#endif
