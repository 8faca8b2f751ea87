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
 * 39, 1960; here the good state loses nothing and the bad state everything).
 * With p = loss_ratio and b = loss_burst, the mean number of frames lost in a
 * row: P(bad -> good) = 1/b, P(good -> bad) = p / (b (1 - p)).  Runs of lost
 * frames are then geometric with mean b (loss periods in the words of RFC
 * 3357), and so are the gaps between them with mean b (1 - p) / p, which can't
 * be less than one frame: p <= b / (b + 1).  Without loss_burst each frame is
 * lost by itself.
 *
 * Fading is further loss, independent from frame to frame, with the chance
 * fading_ratio (1 - cos(2 pi t / fading_period_ns)) / 2, t since the air
 * began: 0 at first, worst after half a period, half of it on average.
 */
struct faults_config {
    double loss_ratio;
    double loss_burst; /* in frames; NaN, or less than 1: each by itself */
    double fading_ratio;
    uint64_t fading_period_ns;
    bool is_out; /* an outage: nothing is heard */
    double duplicates_ratio, reordering_ratio, corruption_ratio; /* packets */
    uint64_t reordering_by_ns;
};

/* Nothing goes wrong. */
extern const struct faults_config faults_none;

/* The largest loss_ratio that runs of so many frames leave room for. */
double faults_most_loss_ratio(double loss_burst);

struct faults; /* all directions of one air */

struct faults *faults_new(size_t end_count, uint64_t seed, uint64_t began_ns,
                          const struct faults_config *all);
void faults_free(struct faults *faults);

/* In force from the next frame or packet on.  A chain whose loss and burst
 * change begins anew; else it goes on in the state that it is in. */
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
