/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_JAIN_H
#define REPORTS_JAIN_H

#include "reports/statistics.h"

/*
 * Fairness (Jain, Chiu and Hawe, DEC-TR-301, 1984): (sum x)^2 / (n sum x^2) of
 * what each got, as a share of what it was entitled to.  1: all alike; k/n: k
 * of n share all.  NaN of nothing, and where nobody got anything.
 */
double jain_index(const double *shares, size_t count);

/*
 * The fairness that is at least there, at that level: noise alone makes shares
 * look unequal, so only a low end makes sense.
 *
 * The root of the index is the cosine of the angle between the shares and the
 * line of equal ones.  The true shares lie within a ball around the measured
 * ones (its radius from F of count and the least degrees of freedom, times the
 * largest error); no point of it is further off that line than the angle
 * measured plus asin(radius / length).  So the true index is not below with at
 * least that confidence.  0 when the ball reaches the origin.
 */
double jain_low_end(const struct mean_error *shares, size_t count,
                    double level);

/*
 * Max-min entitlement: nobody can get more without another who has less getting
 * less still.  Each gets the lesser of its demand and an equal share of what is
 * left (demands may be INFINITY).
 */
void jain_max_min(double capacity, const double *demands, size_t count,
                  double *ret_shares);

#endif
