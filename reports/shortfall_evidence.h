/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_SHORTFALL_EVIDENCE_H
#define REPORTS_SHORTFALL_EVIDENCE_H

#include "reports/arrivals.h"
#include "reports/contact_record.h"
#include "reports/lookup.h"
#include "reports/reduction.h"

/*
 * What a download left behind that can say why it was slow.  All times are
 * brought to the receiver's clock: both ends know the ordered start on theirs.
 */
struct evidence {
    size_t exchange; /* index */
    /* What was asked for and what came, from the request until the feeding
     * time was over (or the last arrival). */
    double expected_bps, measured_bps;
    struct range expected;
    double span_s;
    double content_bytes; /* with what TCP held back */
    double held_bytes;    /* of that: behind segments that had not come */
    double cycle_s;       /* a loaded one, at the most; NaN: not known */
    uint64_t from_ns, until_ns;

    /* From arrivals, and TCP's state meanwhile. */
    double outage_s;
    double start_bytes; /* that did not come for the start's sake */
    double start_s, start_came_bytes;

    /* From the sender's TCP: shares of the time it was watched. */
    double idle_ratio, receiver_ratio, buffer_ratio;
    double held_ratio; /* window below what the link needs, or in recovery */
    double sent_bytes, repeated_bytes, segment_bytes;
    double repeated_outside_bytes; /* not for an outage's sake */
    double needless_bytes;  /* of the repeated: had come already; 0: can't be
                               told */
    double reordered_count; /* by the sender's TCP: came out of order */
    double supplied_ratio; /* of the time: more in flight than the link needs */

    double foreign_bytes; /* the more of both ends */
    double foreign_share_ratio;
    char foreign_end[ADDRESS_SIZE];
    double loopback_bps; /* the less of both ends; 0: not known */

    /* Idle echoes between the two ends on this step. */
    double echo_least_s, echo_median_s; /* NaN: none */
    /* Answered ones, those of them that took longer than any should on an idle
     * channel, and what all took on average. */
    double echoes_count, late_echoes_count, echo_mean_s;
    double overtaken_echoes_count; /* answered after later ones */
    double asked_echoes_count;     /* sent, answered or not */
    struct range echo_least_expected_s, echo_median_expected_s;
    char read_step[READING_TEXT_SIZE]; /* a radio told another step */
    char read_step_end[ADDRESS_SIZE];
    double read_stations_count; /* NaN: no radio told */
    /* By the sender's radio, meanwhile; 0: it did not tell. */
    double radio_frames_count, radio_repeats_count;
    /* By the receiver's radio, meanwhile; 0: it did not tell. */
    double heard_frames_count, missed_frames_count;
    double plan_stations_count;

    unsigned outage_count;
    bool tells_held, has_tcp;
    bool loses_echoes;   /* more than one in a hundred */
    bool doubles_echoes; /* answers came twice */
};

/* What evidence for all downloads is looked up in. */
struct evidence_sources {
    struct contact_records contact;
    struct lookup pings; /* idle ones, by shortfall_cycle.c */
};

/* evidence_sources_clear() in any case. */
int evidence_sources_open(const struct reduction *reduction,
                          struct evidence_sources *ret_sources,
                          struct fault *fault);
void evidence_sources_clear(struct evidence_sources *sources);

/* Reads what belongs to that download.  0, with has nothing to say: span_s is
 * 0. */
int evidence_gather(const struct reduction *reduction,
                    const struct evidence_sources *sources, size_t exchange,
                    struct evidence *ret_evidence, struct fault *fault);

/* The most likely goodput of that direction, in the expectation's range; the
 * middle of that where none can be said. */
double evidence_likely_bps(const struct reduction *reduction,
                           const struct exchange_record *exchange,
                           const struct expectation *expectation);
/* Of the rows of TCP: more connections are not told apart. */
#define CONNECTIONS_MOST 16

/* Whatever an account says: unsigned, for it may not fit. */
static inline uint64_t evidence_at_receiver_ns(uint64_t at_ns,
                                               int64_t to_receiver_ns)
{
    return at_ns + (uint64_t) to_receiver_ns;
}

/* What had crossed by then behind segments that had not: the application has
 * it later, and the link is not to blame.  NaN: TCP does not tell. */
double evidence_held_bytes(const struct rows *tcp, int64_t to_receiver_ns,
                           uint64_t at_ns);
/* Does the sender's TCP tell since when it heard nothing? */
bool evidence_tells_quiet(const struct rows *tcp);
/* shortfall_gaps.c: after what TCP repeated is known. */
void evidence_find_outages(struct evidence *evidence,
                           const struct arrivals *arrivals,
                           const struct rows *tcp, int64_t to_receiver_ns);
/* shortfall_tcp.c: from the rows of the sender's TCP. */
void evidence_take_tcp(struct evidence *evidence,
                       const struct arrivals *arrivals, const struct rows *tcp,
                       int64_t to_receiver_ns);
/* shortfall_cycle.c: from the pings and the radios' readings. */
void evidence_find_pings(const struct reduction *reduction,
                         struct lookup *pings);
void evidence_take_echoes(const struct reduction *reduction,
                          const struct lookup *pings,
                          struct evidence *evidence);
void evidence_take_readings(const struct reduction *reduction,
                            struct evidence *evidence);
/* One idle ping; into evidence of which nothing is known yet, or more. */
void evidence_take_ping(const struct reduction *reduction,
                        const struct exchange_record *ping,
                        uint64_t *most_count, struct evidence *evidence);

/* --- what it amounts to: shortfall_weighed.c ------------------------------ */

/* Of what was sent again, as far as it can be told. */
double evidence_needless_bytes(const struct evidence *evidence);
bool evidence_is_needless(const struct evidence *evidence);
bool evidence_has_overtaking(const struct evidence *evidence);
/* The idle link is slower than it should be. */
bool evidence_has_longer_echoes(const struct evidence *evidence);
/* What that costs at the least. */
double evidence_longer_cycle_bps(const struct evidence *evidence);
/* Data always waited at the sender's radio. */
bool evidence_is_supplied(const struct evidence *evidence);
bool evidence_hears_all(const struct evidence *evidence);

/* --- thresholds: no cause is named on less ------------------------------- */

/* Nothing arrived for that long, and for that many cycles. */
#define OUTAGE_LEAST_S      2.0
#define OUTAGE_LEAST_CYCLES 8.0
/* ... and for longer than a lost acknowledgement's time-out explains: so many
 * times TCP's own spread of round trips. */
#define OUTAGE_VARIATIONS 6.0
/* ... and what then came at once would not have taken that share of the time in
 * which TCP sent nothing new: only what crossed before was held back. */
#define OUTAGE_CAME_RATIO 0.3
/* What is held back for as many cycles, and then comes at once, has crossed. */
#define HOLD_LEAST_CYCLES 4.0
/* "At once": within so many cycles of the first. */
#define CAME_CYCLES 2.0
/* ... and in between the link does at least that much of the expected. */
#define OUTAGE_OUTSIDE_RATIO 0.7
/* ... and sends no more than that share again then: else it loses all the time
 * and TCP's time-outs make the gaps. */
#define OUTAGE_REPEATED_RATIO 0.03
/* ... unless they are that share of the time, and it meets in between: no
 * waiting of TCP's comes to so much on a link that is else so quick. */
#define OUTAGE_LONG_RATIO 0.10
/* Shares of the time that TCP was watched. */
#define IDLE_LEAST_RATIO    0.05
#define LIMITED_LEAST_RATIO 0.10
#define HELD_LEAST_RATIO    0.15
/* Of the bytes sent: sent again; and so many segments at least. */
#define REPEATED_LEAST_RATIO    0.005
#define REPEATED_LEAST_SEGMENTS 3.0
/* Of those: had come already, so that no loss is behind them. */
#define NEEDLESS_LEAST_RATIO 0.5
/* Packets overtake each other: so often at least. */
#define REORDERED_LEAST 3.0
/* The sender kept the link supplied: so much of the time. */
#define SUPPLIED_LEAST_RATIO 0.9
/* Cycles that a segment and its acknowledgement take at the most. */
#define WINDOW_CYCLES 2.0
/* Of the interface's bytes. */
#define FOREIGN_LEAST_RATIO 0.05
/* Of the frames that the sender's radio sent. */
#define RADIO_REPEATS_LEAST_RATIO 0.02
/* Of the frames that the receiver's radio could have heard: fewer missed are no
 * loss; and so many at least are told. */
#define RADIO_MISSED_LEAST_RATIO 0.002
#define RADIO_FRAMES_LEAST       100.0
/* Of what the computer moves over loopback. */
#define COMPUTER_LEAST_RATIO 0.5
/* An idle echo's median above the most expected; its least about the same. */
#define ECHO_MEDIAN_RATIO 1.15
#define ECHO_LEAST_RATIO  1.10
/* Idle echoes later than any should be: the lower end of their share's
 * interval.  Others who come and go leave the median as it is. */
#define ECHO_LATE_RATIO 0.05
/* Idle echoes lost: the lower end of the loss's interval. */
#define ECHO_LOSS_RATIO 0.01
/* An idle echo as it crosses the link; the chance of which more is taken for
 * chance. */
#define ECHO_BYTES        84.0
#define ECHO_CHANCE_RATIO 0.3
/* Echoes whose median is used. */
#define ECHOES_LEAST 6
/* Of the shortfall: a part so large dominates. */
#define DOMINANT_LEAST_RATIO 0.5

#endif
