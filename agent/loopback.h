/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_LOOPBACK_H
#define AGENT_LOOPBACK_H

/*
 * How fast this computer moves data through TCP when no link is in the way: a
 * short transfer from this process to itself, both ends on one thread.  What
 * comes near it says more of the computer than of the link.
 *
 * Takes at most LOOPBACK_MOST_MS or LOOPBACK_MOST_BYTES, and blocks meanwhile.
 * Bits per second; 0: could not be measured.
 */
#define LOOPBACK_MOST_MS    50
#define LOOPBACK_MOST_BYTES ((size_t) 64 * 1024 * 1024)

double loopback_measure(void);

#endif
