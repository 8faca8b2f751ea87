/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_PRACTICE_H
#define BOTHENDS_PRACTICE_H

#include <bothends/exchange.h>
#include <bothends/fields.h>

/*
 * What a plan says of the practice link beside its link: what goes wrong.
 * bothends/plan.h puts it together as struct plan_practice.
 */

/* What goes wrong on the way from one radio to another: see
 * controller/rehearsal/faults.h. */
struct plan_faults {
    double loss_ratio; /* of radio frames */
    double loss_burst; /* mean length of a bad period, in frames; NaN: each
                          frame is lost by itself */
    double loss_within_ratio, loss_between_ratio; /* of bad periods */
    double fading_ratio;
    uint64_t fading_period_ns;
    double duplicates_ratio, reordering_ratio, corruption_ratio; /* packets */
    uint64_t reordering_by_ns;
};

/* The largest loss_ratio for which bad periods of that mean length leave one
 * frame between them. */
static inline double loss_most_ratio(double burst, double within_ratio,
                                     double between_ratio)
{
    return between_ratio
           + (within_ratio - between_ratio) * (burst / (burst + 1));
}

/* Other users of the channel. */
struct plan_other_traffic {
    double share_ratio; /* of the time */
    uint64_t length_ns; /* mean of one transmission */
};

struct plan_practice_end {
    bool is_translated; /* its packets carry another address outside */
    int64_t clock_offset_ns;
    double clock_skew_ppm;
};

enum plan_event_what {
    EVENT_LOSS,
    EVENT_DUPLICATES,
    EVENT_REORDERING,
    EVENT_CORRUPTION,
    EVENT_FADING,
    EVENT_OUTAGE, /* nothing is heard */
    EVENT_OTHER_TRAFFIC,
    EVENT_AWAY,      /* the station is not registered */
    EVENT_STEP,      /* the radio stays on a step, whatever it is told */
    EVENT_CLOCK_STEP /* the computer's wall clock jumps */
};

/* Which keys each of them takes stands in controller/plan/event.c. */
struct plan_event {
    uint64_t at_ns;  /* since the practice link began */
    uint64_t for_ns; /* 0: to the end */
    int what;        /* enum plan_event_what */
    /* Names of ends; "": all.  end: from or to it. */
    char end[NAME_SIZE], from[NAME_SIZE], to[NAME_SIZE];
    double chance_ratio; /* NaN: not said */
    double burst;        /* NaN: not said */
    double within_ratio, between_ratio;
    uint64_t period_ns; /* 0: not said, like those below */
    int64_t by_ns;
    double share_ratio; /* NaN: not said */
    uint64_t length_ns;
    char step[NAME_SIZE];
};

/* clang-format off */
/* The keys of an end under practice: ends. */
static const struct field practice_end_fields[] = {
    { "is_translated", "translation", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct plan_practice_end, is_translated), 0, 0, "no", NULL, "this station is behind address translation: only it can open connections" },
    { "clock_offset_ns", "clock_offset", FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct plan_practice_end, clock_offset_ns), -86400e9, 86400e9, "0 ms", NULL, "how far its computer's wall clock is ahead" },
    { "clock_skew_ppm", "clock_skew", FIELD_REAL, UNIT_PPM, FIELD_AT(struct plan_practice_end, clock_skew_ppm), -1000, 1000, "0 ppm", NULL, "by how much that clock is too fast" },
};

static const char *const plan_event_words[] = { "loss", "duplicates", "reordering", "corruption", "fading", "outage", "other traffic", "away", "step", "clock step", NULL };

/* The keys of an item of practice: events. */
static const struct field plan_event_fields[] = {
    { "at_ns", "at", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_event, at_ns), 0, 86400e9, "0 ms", NULL, "when it begins, since the practice link began" },
    { "for_ns", "for", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_event, for_ns), 1e6, 86400e9, "", NULL, "how long it lasts; left out: to the end" },
    { "what", "what", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_event, what), 0, 0, NULL, plan_event_words, "what happens" },
    { "end", "end", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_event, end), 0, 0, "", NULL, "the end to which it happens, whether it sends or receives" },
    { "from", "from", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_event, from), 0, 0, "", NULL, "only to what this end sends" },
    { "to", "to", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_event, to), 0, 0, "", NULL, "only to what is for this end" },
    { "chance_ratio", "chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_event, chance_ratio), 0, 1, "", NULL, "share of the frames or packets that it hits" },
    { "burst", "burst", FIELD_REAL, UNIT_COUNT, FIELD_AT(struct plan_event, burst), 1, 1e6, "", NULL, "mean length of a bad period, in frames; left out: each is lost by itself" },
    { "within_ratio", "within", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_event, within_ratio), 0, 1, "100 %", NULL, "share of the frames that is lost within a bad period" },
    { "between_ratio", "between", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_event, between_ratio), 0, 1, "0 %", NULL, "share of the frames that is lost between bad periods" },
    { "period_ns", "period", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_event, period_ns), 1e6, 86400e9, "", NULL, "from one worst moment of a fading to the next" },
    { "by_ns", "by", FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct plan_event, by_ns), -86400e9, 86400e9, "0 ms", NULL, "how long packets are held back, or how far a clock jumps" },
    { "share_ratio", "share", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_event, share_ratio), 0, 0.95, "", NULL, "share of the time in which others transmit" },
    { "length_ns", "length", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_event, length_ns), 1e6, 60e9, "", NULL, "mean length of their transmissions" },
    { "step", "step", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_event, step), 0, 0, "", NULL, "the step on which the radio stays" },
};
/* clang-format on */

#endif
