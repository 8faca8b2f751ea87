/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_RFC6349_H
#define REPORTS_RFC6349_H

#include <math.h>

/*
 * The arithmetic of RFC 6349 (framework for TCP throughput testing), as far as
 * the report uses it.
 */

/* Section 3.3.1: what is under way on a full path; a smaller receive window
 * can't fill it. */
static inline double rfc6349_path_bytes(double rtt_s, double bottleneck_bps)
{
    return rtt_s * bottleneck_bps / 8;
}

/* Section 3.3.1: the most that a window allows. */
static inline double rfc6349_window_bps(double window_bytes, double rtt_s)
{
    return rtt_s > 0 ? window_bytes * 8 / rtt_s : (double) INFINITY;
}

/* Section 4.2: the share of the bytes sent that were no repeats; sent_bytes
 * has the repeats in it. */
static inline double rfc6349_efficiency(double sent_bytes,
                                        double repeated_bytes)
{
    return sent_bytes > 0 ? (sent_bytes - repeated_bytes) / sent_bytes
                          : (double) NAN;
}

/* Section 4.3: by how much the round trip grew, as a share of the least. */
static inline double rfc6349_buffer_delay(double mean_rtt_s, double least_rtt_s)
{
    return least_rtt_s > 0 ? (mean_rtt_s - least_rtt_s) / least_rtt_s
                           : (double) NAN;
}

#endif
