/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/jain.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>

double jain_index(const double *shares, size_t count)
{
    double sum = 0;
    double squares = 0;

    for (size_t i = 0; i < count; i++) {
        sum += shares[i];
        squares += shares[i] * shares[i];
    }
    return squares > 0 ? sum * sum / ((double) count * squares) : (double) NAN;
}

double jain_low_end(const struct mean_error *shares, size_t count, double level)
{
    double sum = 0;
    double squares = 0;
    double error = 0;
    double degrees = (double) INFINITY;

    for (size_t i = 0; i < count; i++) {
        sum += shares[i].mean;
        squares += shares[i].mean * shares[i].mean;
        error = fmax(error, shares[i].error);
        degrees = fmin(degrees, shares[i].degrees);
        if (!(shares[i].error >= 0) || !(shares[i].degrees > 0))
            return (double) NAN;
    }
    if (!(squares > 0))
        return (double) NAN;
    const double quantile = gsl_cdf_fdist_Pinv(level, (double) count, degrees);
    const double radius = error * sqrt((double) count * quantile);
    const double cosine = sum / sqrt((double) count * squares);

    if (radius >= sqrt(squares))
        return 0;
    const double angle = acos(fmin(cosine, 1)) + asin(radius / sqrt(squares));
    const double least = cos(fmin(angle, acos(0)));

    return least * least;
}

void jain_max_min(double capacity, const double *demands, size_t count,
                  double *ret_shares)
{
    size_t waiting = count;
    bool has_served = true;

    for (size_t i = 0; i < count; i++)
        ret_shares[i] = (double) NAN;
    /* Whoever wants less than an equal share of what is left gets it all; that
     * leaves more to the others, until all want more. */
    while (waiting && has_served) {
        const double equal = capacity / (double) waiting;

        has_served = false;
        for (size_t i = 0; i < count; i++) {
            if (!isnan(ret_shares[i]) || demands[i] > equal)
                continue;
            ret_shares[i] = demands[i];
            capacity -= demands[i];
            waiting--;
            has_served = true;
        }
    }
    for (size_t i = 0; i < count; i++) {
        if (isnan(ret_shares[i]))
            ret_shares[i] = capacity / (double) waiting;
    }
}
