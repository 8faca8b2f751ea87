/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BENCH_PLAIN_PAIR_H
#define BENCH_PLAIN_PAIR_H

#include <stdint.h>

/*
 * What the agents are held against: one process that sends the same block over
 * and over, one that receives, both blocking, with nothing else to do.  Returns
 * bits per second at the receiver, from the connection to the last byte; ends
 * the program when the system refuses a socket or a process.
 */
double plain_pair_bps(uint64_t duration_ns);

#endif
