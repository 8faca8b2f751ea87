/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_SHORTFALL_H
#define REPORTS_SHORTFALL_H

#include <bothends/fields.h>
#include <stddef.h>

/*
 * Why a download carried less than was expected: the difference between the
 * likely goodput of its direction and the measured one, taken apart in the
 * order below into parts that add up to it.  DEVELOPERS.md, "Shortfall", says
 * what each part rests on.
 */
enum shortfall_part {
    PART_BYPASS,          /* it went round the radio */
    PART_OTHER_STEP,      /* another step than stated */
    PART_OUTAGE,          /* nothing arrived for long */
    PART_START_UP,        /* handshake, slow start */
    PART_SENDER_IDLE,     /* the application had nothing to send */
    PART_SEND_BUFFER,     /* held by the sender's buffer */
    PART_RECEIVER_WINDOW, /* held by the receiver's window */
    PART_REPEATS,         /* bytes sent again */
    PART_LOSS_WINDOW,     /* losses held the congestion window down */
    PART_NEEDLESS,        /* TCP sent again, and held its window down for, what
                             had come already */
    PART_FOREIGN,         /* other traffic at the computers */
    PART_SLOW_COMPUTER,
    PART_RADIO_REPEATS, /* frames that the radios sent again, by their own
                           readings: the computers see none of it */
    PART_LONGER_CYCLE,  /* more stations, longer slots, other users: one class,
                           split only by the radios' readings */
    PART_UNEXPLAINED,
    SHORTFALL_PARTS
};

struct shortfall {
    size_t exchange; /* index into the reduction's exchanges */
    double expected_bps, measured_bps;
    double part_bps[SHORTFALL_PARTS]; /* sum: expected - measured */
    int dominant;                     /* enum shortfall_part */
    int or_else;        /* what it can't be told apart from; -1: nothing */
    char sentence[480]; /* what dominates; plain text */
    char advice[400];   /* what to try next */
};

/* A row of reduction->shortfalls, and findings shortfall_<name>, for each
 * download alone on the link whose goodput from the request on is below what
 * meets the expectation, or above all of it; none for one that meets.  After
 * the kinds have reduced and the doubts have compared. */
struct reduction;
struct fault;
int shortfall_add(struct reduction *reduction, struct fault *fault);

/* In words, for a table and a chart: "repeats", "receiver window" ... */
extern const char *const shortfall_part_words[SHORTFALL_PARTS];
/* For measures: shortfall_<name>. */
extern const char *const shortfall_part_names[SHORTFALL_PARTS];

#endif
