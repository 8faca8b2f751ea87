/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_CHANCES_H
#define SUPPORT_CHANCES_H

#include <stddef.h>
#include <stdint.h>

/*
 * Does what was drawn fit what was asked for?  Each prints what it found and
 * fails the test if that would happen by chance less than once in a million
 * times; with a fixed seed it passes always or never.
 */

/* So many hits of so many independent trials: exact binomial, two-sided. */
void assert_hits(uint64_t hit_count, uint64_t trial_count, double ratio);

/* Counts by class against those expected: chi-square (K. Pearson, 1900), one
 * degree of freedom less than there are classes. */
void assert_fits(const uint64_t *counts, const double *expected,
                 size_t class_count);

/* Lengths from 1 on; the last class holds the longer ones too. */
#define LENGTH_CLASSES 24
struct lengths {
    uint64_t counts[LENGTH_CLASSES];
    uint64_t run_count, sum;
};

void lengths_add(struct lengths *lengths, uint64_t length);
/* Are they geometric with that mean?  By chi-square, where classes in which
 * less than 5 are expected count as one, and by their sum. */
void assert_geometric(const struct lengths *lengths, double mean);

#endif
