/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_FAULTS_H
#define REHEARSAL_FAULTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * What goes wrong on the way from one radio to another, drawn from a seed.
 * Pure: no clock; time comes in with the calls.
 *
 * A direction is an ordered pair of ends.  Each has a stream of draws of its
 * own for each thing that can go wrong, and every frame and every packet takes
 * one draw from each of its streams, whatever the settings.  So a change of
 * one setting, or in one direction, leaves all other draws as they were.
 *
 * Frames.  Loss is a chain of two states that moves once a frame (E. N.
 * Gilbert, "Capacity of a burst-noise channel", Bell System Technical Journal
 * 39, 1960; with loss in either state: E. O. Elliott, "Estimates of error rates
 * for codes on burst-noise channels", the same, 42, 1963).  With p = loss_ratio
 * of all, b = loss_burst the mean length of a bad period, h = loss_within_ratio
 * and k = loss_between_ratio lost in the bad and in the good state, the bad
 * state's share of the frames is q = (p - k) / (h - k), and
 * P(bad -> good) = 1/b, P(good -> bad) = q / (b (1 - q)).  Bad periods are then
 * geometric with mean b, and so are the good ones with mean b (1 - q) / q,
 * which can't be less than one frame: q <= b / (b + 1).  Where the bad state
 * loses everything and the good one nothing, runs of lost frames are the bad
 * periods (loss periods in the words of RFC 3357).  Without loss_burst each
 * frame is lost by itself.
 * The chain does not move while nothing is sent: a bad period outlasts a pause,
 * such as that of a TCP that waits longer and longer before it tries again.
 *
 * Fading is further loss, independent from frame to frame, with the chance
 * fading_ratio (1 - cos(2 pi t / fading_period_ns)) / 2, t since the air
 * began: 0 at first, worst after half a period, half of it on average.
 */
struct faults_config {
    double loss_ratio;
    double loss_burst; /* in frames; NaN, or less than 1: each by itself */
    double loss_within_ratio, loss_between_ratio; /* matter with loss_burst */
    double fading_ratio;
    uint64_t fading_period_ns;
    bool is_out; /* an outage: nothing is heard */
    double duplicates_ratio, reordering_ratio, corruption_ratio; /* packets */
    uint64_t reordering_by_ns;
};

/* Nothing goes wrong. */
extern const struct faults_config faults_none;

/* The largest loss_ratio for which bad periods of that length leave room. */
double faults_most_loss_ratio(const struct faults_config *config);

struct faults; /* all directions of one air */

struct faults *faults_new(size_t end_count, uint64_t seed, uint64_t began_ns,
                          const struct faults_config *all);
void faults_free(struct faults *faults);

/* In force from the next frame or packet on.  A chain of which any loss_
 * changes begins anew; else it goes on in the state that it is in. */
void faults_set(struct faults *faults, size_t from, size_t to,
                const struct faults_config *config);
/* Borrowed until the next faults_set(). */
const struct faults_config *faults_get(const struct faults *faults, size_t from,
                                       size_t to);

enum faults_frame {
    FRAME_HEARD,
    FRAME_LOST, /* by loss or fading */
    FRAME_OUT   /* by an outage */
};

/* What became of a frame on its way to one receiver: to be called once for
 * each; over_ns is when it was over. */
enum faults_frame faults_frame(struct faults *faults, size_t from, size_t to,
                               uint64_t over_ns);

struct faults_packet {
    unsigned copies_count; /* 1 or 2 */
    bool is_corrupted;     /* every copy, in the same bit */
    uint64_t held_ns;      /* handed over so much later: every copy */
};

/* What befalls a packet of which every frame was heard. */
struct faults_packet faults_packet(struct faults *faults, size_t from,
                                   size_t to);

#endif
