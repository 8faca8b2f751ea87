/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_PROBING_H
#define BOTHENDS_PROBING_H

#include <bothends/draw.h>
#include <bothends/fields.h>
#include <bothends/looks.h>

/*
 * What the kinds that send probes have in common: how many, how often, until
 * when, and how long an answer is waited for.  A kind's spec has these members
 * under the same names, and its field list takes the rows from here.
 *
 * A probe whose answer has not come within the waiting time is lost (RFC 2681,
 * RFC 6673); an answer after that is noted as late and stays lost.
 *
 * Until the median round trip is known well enough (bothends/looks.h), the end
 * that probes looks at the probes whose fate is known and stops sending.
 */
struct probing {
    uint64_t count;       /* probes; 0 when a time rules */
    uint64_t for_ns;      /* probing time; 0 when count rules */
    double within_ratio;  /* until the median is known so well; NaN: not said */
    uint64_t at_most_ns;  /* with within_ratio: the longest probing time */
    struct spread gap_ns; /* from one probe's sending to the next */
    uint64_t wait_ns;     /* waiting time after which a probe is lost */
};

#define PROBING_COUNT_MAX 1e6 /* probes of one exchange */

/* Of a kind's spec. */
#define PROBING_OF(spec)                                                       \
    ((struct probing){                                                         \
        .count = (spec)->count,                                                \
        .for_ns = (spec)->for_ns,                                              \
        .within_ratio = (spec)->within_ratio,                                  \
        .at_most_ns = (spec)->at_most_ns,                                      \
        .gap_ns = (spec)->gap_ns,                                              \
        .wait_ns = (spec)->wait_ns,                                            \
    })

/* Rows of a spec's field list, before and after the kind's own; spec is the
 * kind's struct. */
/* clang-format off */
#define PROBING_FIELDS(spec) \
    { "count", "count", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(spec, count), \
      1, PROBING_COUNT_MAX, "", NULL, "how many probes are sent (or say for)" }, \
    { "for_ns", "for", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(spec, for_ns), \
      1e6, 86400e9, "", NULL, "how long probes are sent (or say count)" }, \
    { "within_ratio", "until", FIELD_REAL, UNIT_WITHIN, FIELD_AT(spec, within_ratio), \
      0, 0.5, "", NULL, "probes are sent until the median round trip is known so well (half of its interval over it), at_most at the longest" }, \
    { "at_most_ns", "at_most", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(spec, at_most_ns), \
      1e9, 86400e9, "", NULL, "with until: the longest time that probes are sent" }, \
    { "gap_ns", "gap", FIELD_SPREAD, UNIT_DURATION, FIELD_AT(spec, gap_ns), \
      1e6, 3600e9, "about 1 s", NULL, "time from one probe to the next; 'about' draws it anew each time, so that probes cannot lock to the slots" }

#define PROBING_WAIT_FIELD(spec) \
    { "wait_ns", "wait", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(spec, wait_ns), \
      1e6, 600e9, "10 s", NULL, "a probe not answered within this time is lost" }

static const char *const probe_states[] = { "lost", "answered", "late", "unsent", NULL };
static const char *const stamp_sources[] = { "none", "agent", "kernel", NULL };
/* clang-format on */

enum probe_state {
    PROBE_LOST,
    PROBE_ANSWERED,
    PROBE_LATE,
    PROBE_UNSENT
};

/* Where a stamp was taken: by the agent's code, or in the kernel. */
enum stamp_source {
    STAMP_NONE,
    STAMP_AGENT,
    STAMP_KERNEL
};

static inline bool probing_is_until(const struct probing *probing)
{
    return probing->within_ratio > 0;
}

/* How long probes are sent at the most; 0: the count rules. */
static inline uint64_t probing_sending_ns(const struct probing *probing)
{
    return probing_is_until(probing) ? probing->at_most_ns : probing->for_ns;
}

/* As struct kind's objection. */
static inline const char *probing_objection(const struct probing *probing)
{
    const uint64_t sending_ns = probing_sending_ns(probing);

    if (probing->count && probing->for_ns)
        return "found both count and for, expected one of them";
    if (probing_is_until(probing) && (probing->count || probing->for_ns))
        return "found until beside count or for, expected until alone with "
               "at_most";
    if (probing_is_until(probing) && probing->at_most_ns < 2 * LOOKS_FIRST_NS)
        return "found until without at_most, or a short one, expected at_most "
               "of at least 36 s";
    if (probing->at_most_ns && !probing_is_until(probing))
        return "found at_most without until, expected for or count alone";
    if (!probing->count && !sending_ns)
        return "found neither count nor for nor until, expected one of them";
    if ((double) sending_ns > PROBING_COUNT_MAX * probing->gap_ns.mean)
        return "found more than a million probes, expected a longer gap or a "
               "shorter time";
    return NULL;
}

/* --- the schedule: the same wherever it is drawn ------------------------- */

struct probing_schedule {
    const struct probing *probing; /* borrowed */
    struct draw draw;
    uint64_t number; /* of the next probe */
    uint64_t at_ns;  /* when it is due, after the start */
    bool is_over;    /* there is no next one */
};

/* The first probe is due at the start. */
static inline struct probing_schedule
probing_schedule(const struct probing *probing, uint64_t seed)
{
    return (struct probing_schedule){ .probing = probing, .draw = { seed } };
}

static inline void probing_advance(struct probing_schedule *schedule)
{
    const struct probing *probing = schedule->probing;
    const uint64_t sending_ns = probing_sending_ns(probing);

    schedule->number++;
    if (probing->count && schedule->number >= probing->count) {
        schedule->is_over = true;
        return;
    }
    const uint64_t gap_ns =
        (uint64_t) draw_spread(&schedule->draw, &probing->gap_ns);

    if (sending_ns && schedule->at_ns + gap_ns >= sending_ns)
        schedule->is_over = true;
    else
        schedule->at_ns += gap_ns ? gap_ns : 1;
}

/* When the last probe is sent, after the start. */
static inline uint64_t probing_last_sent_ns(const struct probing *probing,
                                            uint64_t seed)
{
    struct probing_schedule schedule = probing_schedule(probing, seed);

    while (!schedule.is_over)
        probing_advance(&schedule);
    return schedule.at_ns;
}

/* As struct kind's longest_ns and planned_ns. */
static inline uint64_t probing_longest_ns(const struct probing *probing,
                                          uint64_t seed)
{
    return probing_last_sent_ns(probing, seed) + probing->wait_ns;
}

static inline uint64_t probing_planned_ns(const struct probing *probing,
                                          uint64_t seed)
{
    return probing_last_sent_ns(probing, seed) + NS_PER_S;
}

#endif
