/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_FINDINGS_H
#define BOTHENDS_FINDINGS_H

#include <bothends/exchange.h>
#include <bothends/fields.h>

/*
 * A finding is one measured figure with its interval, its expectation and its
 * verdict: one row of results.csv and one object of results.json, made from
 * the field list below.
 */

enum verdict {
    VERDICT_NONE,      /* nothing to hold it against, or no interval */
    VERDICT_MEETS,     /* all of the interval above share x low */
    VERDICT_SHORT,     /* all of it below that */
    VERDICT_EXCEEDS,   /* all of it above high: a trap, not a triumph */
    VERDICT_UNDECIDED, /* the interval straddles a limit */
};

static const char *const verdicts[] = { "",        "meets",     "short",
                                        "exceeds", "undecided", NULL };

/* Measures so far, and their units: goodput_steady and goodput_whole (bit/s),
 * rtt_p50 rtt_p90 rtt_p95 rtt_p99 (s, of all sent; lost = infinite),
 * rtt_answered_p50 ... (s, of those answered), rtt_least (s), rtt_after_pause
 * (s, the first probe after a pause), loss (ratio), confirmed_p50
 * confirmed_p90 confirmed_p95 (s, of all messages sent; unconfirmed =
 * infinite), unconfirmed (ratio), gain (ratio of steady
 * goodput to that of the step before it in the plan), control_share (ratio);
 * of each way by itself one_way_loss one_way_reordered one_way_duplicated
 * (ratio), delay_variation_p50 ... one_way_least one_way_p50 ... (s), and of
 * both rtt_stamped_loss (ratio) rtt_stamped_least rtt_stamped_p50 ... (s).
 * DEVELOPERS.md, "Results", defines each. */
struct finding {
    int64_t run;
    char started_utc[32]; /* RFC 3339 */
    uint64_t round;       /* from 1; 0: all rounds together */
    char step[NAME_SIZE];
    char exchange[ID_SIZE]; /* "" when made from several */
    char kind[NAME_SIZE];
    char from[ADDRESS_SIZE], to[ADDRESS_SIZE];
    char condition[64]; /* "idle", or what ran beside it */
    char measure[NAME_SIZE];
    double level_ratio;      /* confidence, 0.95 */
    char unit[16];           /* bit/s, s, ratio */
    double value, low, high; /* INFINITY allowed; NaN: none, see why */
    double expected_low, expected_high;
    char expected_source[64]; /* published, computed, reference; "" none */
    int verdict;
    uint64_t samples_count;
    char why[160]; /* why value, low or high is missing */
    /* No columns: what share of expected_low meets, as the plan says; and the
     * place in the plan's sequence of what it is of. */
    double meets_ratio;
    uint64_t plan_index;
};

/* clang-format off */
#define FINDING_TEXT(member, text) { #member, NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct finding, member), 0, 0, "", NULL, text }
#define FINDING_REAL(member, text) { #member, NULL, FIELD_REAL, UNIT_NONE, FIELD_AT(struct finding, member), 0, 0, "", NULL, text }
static const struct field finding_fields[] = {
    { "run", NULL, FIELD_SIGNED, UNIT_COUNT, FIELD_AT(struct finding, run), 0, 0, "", NULL, "number of the run in the logbook" },
    FINDING_TEXT(started_utc, "when the exchange, or the run, started (UTC)"),
    { "round", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct finding, round), 0, 0, "", NULL, "round, from 1; 0: all rounds together" },
    FINDING_TEXT(step, "rate step"),
    FINDING_TEXT(exchange, "id of the exchange; empty when made from several"),
    FINDING_TEXT(kind, "kind of exchange"),
    FINDING_TEXT(from, "end or host that the data come from"),
    FINDING_TEXT(to, "end or host that the data go to"),
    FINDING_TEXT(condition, "idle, or what ran beside it"),
    FINDING_TEXT(measure, "what was measured"),
    { "level", NULL, FIELD_REAL, UNIT_RATIO, FIELD_AT(struct finding, level_ratio), 0, 1, "", NULL, "confidence of the interval" },
    FINDING_TEXT(unit, "unit of the values: bit/s, s or ratio"),
    FINDING_REAL(value, "the figure"),
    FINDING_REAL(low, "lower end of its interval"),
    FINDING_REAL(high, "upper end of its interval"),
    FINDING_REAL(expected_low, "lower end of what was expected"),
    FINDING_REAL(expected_high, "upper end of what was expected"),
    FINDING_TEXT(expected_source, "where the expectation comes from"),
    { "verdict", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct finding, verdict), 0, 0, "", verdicts, "meets, short, exceeds, undecided, or none" },
    { "samples", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct finding, samples_count), 0, 0, "", NULL, "how many samples it rests on" },
    FINDING_TEXT(why, "why a value is missing"),
};
/* clang-format on */

#define RESULTS_SCHEMA_VERSION 1

#endif
